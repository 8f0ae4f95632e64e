"""How the commands are read from the terminal, and what several of them take in the same way."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

MachineFolder = Annotated[
    Path, typer.Option("--machine", metavar="DIR", help="Folder that teaches.")
]
OneObject = Annotated[bool, typer.Option("--json", help="One JSON object.")]


def group() -> typer.Typer:
    """Return an empty group of commands; without a command it shows its help."""
    return typer.Typer(no_args_is_help=True)
