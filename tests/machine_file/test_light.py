"""A check reads a machine folder on each start, so reading loads nothing that it does not need."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from tests.machine_file.make import labels_file, machine_folder

HEAVY = {
    "cv2",
    "numpy",
    "onnxruntime",
    "pillow_heif",
    "pydantic",
    "tomlkit",
    "verify.machine_file.editor",
    "verify.machine_file.positions",
}


def test_reading_a_good_folder_loads_nothing_heavy(tmp_path: Path) -> None:
    folder = machine_folder(tmp_path / "machine")
    code = (
        "import sys; from pathlib import Path\n"
        "from verify.machine_file import content_sha256, read_labels, read_machine\n"
        f"machine = read_machine(Path({str(folder)!r}))\n"
        f"read_labels(Path({str(labels_file(tmp_path))!r}), machine)\n"
        "content_sha256(machine)\n"
        f"print(sorted({HEAVY!r} & set(sys.modules)))\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
