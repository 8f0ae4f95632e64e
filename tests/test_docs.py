"""The README and DEVELOPERS.md name what is there, and nothing that is not."""

from __future__ import annotations

import re
from pathlib import Path
from typing import cast

import pytest
from typer.core import TyperGroup
from typer.main import get_command

from verify.cli.main import app

REPOSITORY = Path(__file__).resolve().parents[1]
README = (REPOSITORY / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (REPOSITORY / "DEVELOPERS.md").read_text(encoding="utf-8")


def test_the_readme_names_every_command_and_none_that_is_not_there() -> None:
    commands = cast(TyperGroup, get_command(app)).commands
    assert set(re.findall(r"`verify ([a-z]+)", README)) == set(commands)


def test_every_setting_stands_in_the_readme() -> None:
    source = (REPOSITORY / "verify" / "settings.py").read_text(encoding="utf-8")
    for name in re.findall(r'"(VERIFY_[A-Z]+)"', source):
        assert f"`{name}`" in README


@pytest.mark.parametrize("text", [README, DEVELOPERS], ids=["README", "DEVELOPERS"])
def test_scripts_that_are_named_exist(text: str) -> None:
    scripts = set(re.findall(r"\.ci/[a-z]+", text))
    assert scripts
    for script in scripts:
        assert (REPOSITORY / script).is_file(), script
