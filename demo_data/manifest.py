"""The list of all pictures, networks and fonts that are kept here: ``shared/files.toml``.

    python -m demo_data.manifest            write the list anew
    python -m demo_data.manifest --check    say what is missing, changed or not listed

The sets, with their folder, origin and licence, are written by hand; the files of each set
and their SHA-256 are written by this tool. A file belongs to the set with the longest folder
that it lies in.
"""

from __future__ import annotations

import argparse
import hashlib
import sys
from collections.abc import Iterator
from pathlib import Path, PurePosixPath

import tomlkit
from tomlkit.items import AoT, Table

REPOSITORY = Path(__file__).resolve().parents[1]
LISTED_IN = ("models", "reference_images", "demo_data", "verify")
SUFFIXES = frozenset(
    {
        *(".jpg", ".jpeg", ".png", ".webp", ".heic", ".heif", ".tif"),
        *(".onnx", ".npz", ".ply", ".exr", ".ttf"),
    }
)
# Files without a telling suffix that count all the same.
NAMED = frozenset({"models/calibration.json"})
LIST = "shared/files.toml"
NEEDED = ("folder", "origin", "licence")


class ManifestError(Exception):
    """The list itself cannot be used; the message says why and what to do."""


def kept_files(root: Path) -> list[str]:
    """Return the files that must be listed, as paths relative to ``root``, in order."""
    found = []
    for top in LISTED_IN:
        for path in (root / top).rglob("*"):
            name = path.relative_to(root).as_posix()
            if path.is_file() and (path.suffix.lower() in SUFFIXES or name in NAMED):
                found.append(name)
    return sorted(found)


def sha256_of(path: Path) -> str:
    """Return the SHA-256 of a file's bytes, in hexadecimal."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def read_list(root: Path) -> tomlkit.TOMLDocument:
    """Read the list.

    Raises:
        ManifestError: it is not there, or a set lacks what is written by hand.
    """
    path = root / LIST
    if not path.is_file():
        raise ManifestError(f"{path} is not there; write one [[set]] with {', '.join(NEEDED)}")
    document = tomlkit.parse(path.read_text(encoding="utf-8"))
    for number, kept in enumerate(_sets(document)):
        for key in NEEDED:
            if not isinstance(kept.get(key), str) or not kept[key]:
                raise ManifestError(f"{path}, set[{number}].{key}: must be a text")
    return document


def problems(root: Path) -> Iterator[str]:
    """Yield everything in which the list and the files differ."""
    listed: dict[str, str] = {}
    for kept in _sets(read_list(root)):
        for name, digest in kept.get("files", {}).items():
            listed[f"{kept['folder']}/{name}"] = str(digest)
    present = kept_files(root)
    for name in present:
        if name not in listed:
            yield f"{name} is not listed"
        elif sha256_of(root / name) != listed[name]:
            yield f"{name} is not the file that was listed"
    for name in sorted(set(listed) - set(present)):
        yield f"{name} is listed, but not there"


def rewrite(root: Path) -> int:
    """Write the files of every set anew and return how many there are.

    Raises:
        ManifestError: a file lies in the folder of no set.
    """
    document = read_list(root)
    sets = {str(kept["folder"]): kept for kept in _sets(document)}
    members: dict[str, list[str]] = {folder: [] for folder in sets}
    for name in kept_files(root):
        parents = [parent.as_posix() for parent in PurePosixPath(name).parents]
        folder = next((parent for parent in parents if parent in sets), None)
        if folder is None:
            raise ManifestError(
                f"{name} belongs to no set; add a [[set]] for its folder to {root / LIST}"
            )
        members[folder].append(name)
    for folder, names in members.items():
        files = tomlkit.table()
        for name in names:
            files.add(name.removeprefix(f"{folder}/"), sha256_of(root / name))
        files.add(tomlkit.nl())
        sets[folder]["files"] = files
    (root / LIST).write_text(tomlkit.dumps(document), encoding="utf-8")
    return sum(len(names) for names in members.values())


def main() -> int:
    """Run the tool and return its exit code."""
    parser = argparse.ArgumentParser(prog="python -m demo_data.manifest", description=__doc__)
    parser.add_argument("--check", action="store_true", help="change nothing, say what differs")
    try:
        if parser.parse_args().check:
            wrong = list(problems(REPOSITORY))
            print("\n".join(wrong) or "every file is as listed")
            return 1 if wrong else 0
        print(f"listed {rewrite(REPOSITORY)} files in {LIST}")
    except ManifestError as error:
        print(error, file=sys.stderr)
        return 2
    return 0


def _sets(document: tomlkit.TOMLDocument) -> list[Table]:
    sets = document.get("set", [])
    return list(sets) if isinstance(sets, AoT) else []


if __name__ == "__main__":
    sys.exit(main())
