"""Pictures by their SHA-256, in a folder or behind any URL that fsspec knows.

A picture is written under another name first and put in its place as a whole, so that a name
which is there always holds the whole picture. Originals are kept as they came.
"""

from __future__ import annotations

import secrets
from pathlib import Path
from typing import Any, Protocol

from verify.errors import RecordBrokenError, StoreError
from verify.machine_file.saving import replace_file
from verify.store.chain import sha256


class Pictures(Protocol):
    """Where pictures are kept."""

    def put(self, content: bytes) -> str:
        """Keep a picture and return its SHA-256."""

    def get(self, digest: str) -> bytes:
        """Return a picture, held against its SHA-256.

        Raises:
            RecordBrokenError: it is gone or is not what was kept.
        """


class PictureFolder:
    """Pictures in a folder, two digits of their SHA-256 to a folder."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def put(self, content: bytes) -> str:
        """Keep a picture, also through a power cut, and return its SHA-256.

        Raises:
            StoreError: the folder cannot be written to.
        """
        digest = sha256(content)
        path = self._path(digest)
        try:
            if not path.exists() or sha256(path.read_bytes()) != digest:
                path.parent.mkdir(parents=True, exist_ok=True)
                replace_file(path, content)
        except OSError as error:
            raise StoreError(f"a picture cannot be kept in {self.folder}: {error}") from error
        return digest

    def get(self, digest: str) -> bytes:
        """Return a picture, held against its SHA-256."""
        try:
            return _checked(self._path(digest).read_bytes(), digest)
        except OSError:
            raise RecordBrokenError(f"the picture {digest} is not in {self.folder}") from None

    def _path(self, digest: str) -> Path:
        return self.folder / digest[:2] / digest


class RemotePictures:
    """Pictures behind a URL of fsspec, such as ``s3://bucket/pictures``."""

    def __init__(self, url: str) -> None:
        """Reach the place.

        Raises:
            StoreError: the kind of URL is not known, or a package for it is missing.
        """
        import fsspec

        try:
            self._files, self._root = fsspec.core.url_to_fs(url)
        except (ImportError, ValueError, OSError) as error:
            raise StoreError(f"pictures cannot be kept at {url}: {error}") from error
        self.url = url

    def put(self, content: bytes) -> str:
        """Keep a picture and return its SHA-256."""
        digest = sha256(content)
        path = self._path(digest)
        files: Any = self._files
        try:
            if not files.exists(path) or files.size(path) != len(content):
                files.makedirs(path.rsplit("/", 1)[0], exist_ok=True)
                part = f"{path}.{secrets.token_hex(8)}.part"
                files.pipe_file(part, content)
                files.mv(part, path)
        except OSError as error:
            raise StoreError(f"a picture cannot be kept at {self.url}: {error}") from error
        return digest

    def get(self, digest: str) -> bytes:
        """Return a picture, held against its SHA-256."""
        try:
            return _checked(self._files.cat_file(self._path(digest)), digest)
        except OSError:
            raise RecordBrokenError(f"the picture {digest} is not at {self.url}") from None

    def _path(self, digest: str) -> str:
        return f"{self._root.rstrip('/')}/{digest[:2]}/{digest}"


def open_pictures(place: str) -> Pictures:
    """Return the pictures kept in a folder, or behind a URL."""
    return RemotePictures(place) if "://" in place else PictureFolder(Path(place))


def _checked(content: bytes, digest: str) -> bytes:
    if sha256(content) != digest:
        raise RecordBrokenError(f"the picture {digest} is not what was kept")
    return content
