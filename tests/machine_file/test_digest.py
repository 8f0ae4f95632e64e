"""The number for a folder's content: what it is, and what changes it."""

from __future__ import annotations

import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest

from tests.machine_file.make import machine_folder
from verify.machine_file import content_sha256, file_sha256, read_machine


# FIPS 180-4's examples: "abc", and a million times "a".
@pytest.mark.outside
@pytest.mark.parametrize(
    ("content", "digest"),
    [
        (b"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
        (b"a" * 1_000_000, "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"),
    ],
)
def test_the_published_examples(tmp_path: Path, content: bytes, digest: str) -> None:
    (tmp_path / "a").write_bytes(content)
    assert file_sha256(tmp_path / "a") == digest


@pytest.mark.outside
def test_it_can_be_worked_out_with_coreutils(tmp_path: Path) -> None:
    if shutil.which("sha256sum") is None:
        pytest.skip("no sha256sum here")
    machine = read_machine(machine_folder(tmp_path))
    names = ["lid/no-clip.jpg", "lid/right.jpg", "machine.toml", "spout.png"]
    listed = subprocess.run(
        ["sha256sum", *names], cwd=tmp_path, check=True, capture_output=True
    ).stdout
    (tmp_path / "list").write_bytes(listed)
    whole = subprocess.run(
        ["sha256sum", "list"], cwd=tmp_path, check=True, capture_output=True, text=True
    ).stdout
    assert content_sha256(machine) == whole.split()[0]


def test_what_changes_it(tmp_path: Path) -> None:
    folder = machine_folder(tmp_path / "a")
    machine = read_machine(folder)
    before = content_sha256(machine)
    for name in ("machine.toml", "lid/right.jpg", "lid/no-clip.jpg", "spout.png"):
        raw = (folder / name).read_bytes()
        (folder / name).write_bytes(raw + b"\n")
        assert content_sha256(machine) != before, name
        (folder / name).write_bytes(raw)
    assert content_sha256(machine) == before


def test_what_does_not_change_it(tmp_path: Path) -> None:
    machine = read_machine(machine_folder(tmp_path / "a"))
    before = content_sha256(machine)
    (tmp_path / "a/lid/spare.jpg").unlink()  # no shot
    (tmp_path / "a/new.txt").write_text("?")
    (tmp_path / "a/machine.toml").touch()
    assert content_sha256(machine) == before
    shutil.copytree(tmp_path / "a", tmp_path / "b")
    assert content_sha256(replace(machine, folder=tmp_path / "b")) == before
