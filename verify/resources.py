"""Where the files lie that come with the product: networks, demo machines, demo photos.

In a clone they lie beside the package; in an installed wheel the networks lie inside it.
"""

from __future__ import annotations

from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent


def repository() -> Path | None:
    """Return the top folder of the clone that this package runs from, or None."""
    top = _PACKAGE.parent
    return top if (top / "pyproject.toml").is_file() and (top / "models").is_dir() else None


def _beside(name: str) -> Path:
    top = repository()
    return top / name if top is not None else _PACKAGE / "_data" / name


def models_folder() -> Path:
    """Return the folder of the ONNX files and their cards. It may be absent."""
    return _beside("models")


def reference_images_folder() -> Path:
    """Return the folder that holds one machine folder per demo machine. It may be absent."""
    return _beside("reference_images")


def demo_data_folder() -> Path:
    """Return the folder of the demo store's labelled photos. It may be absent."""
    return _beside("demo_data")
