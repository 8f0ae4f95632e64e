"""Machine folders and labelled sets: read strictly, written without losing a comment.

Writing is in ``verify.machine_file.editor``, which a check never loads.
"""

from verify.machine_file.digest import content_sha256, file_sha256
from verify.machine_file.labels import read_labels
from verify.machine_file.reader import MACHINE_FILE, read_machine

__all__ = ["MACHINE_FILE", "content_sha256", "file_sha256", "read_labels", "read_machine"]
