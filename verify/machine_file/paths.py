"""How the place of a value in a TOML file is named."""

from __future__ import annotations

KeyPath = tuple[str | int, ...]


def show_path(path: KeyPath) -> str:
    """Return a path as people write it, such as ``view[0].part[2].expect``."""
    text = ""
    for step in path:
        if isinstance(step, int):
            text += f"[{step}]"
            continue
        key = step if is_bare_key(step) else f'"{step}"'
        text += f".{key}" if text else key
    return text


def is_bare_key(key: str) -> bool:
    """True if TOML lets a key be written without quotes."""
    return key.isascii() and key.replace("-", "a").replace("_", "a").isalnum()
