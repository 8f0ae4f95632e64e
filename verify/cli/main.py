"""Entry point of the ``verify`` command.

Only what every start needs is imported here; a command imports the rest when it runs.
"""

from __future__ import annotations

import os
import signal
import sys
from typing import Annotated

import typer

from verify import __version__
from verify.cli.check import check
from verify.cli.demo import demo
from verify.cli.output import ReaderGoneError, complain
from verify.cli.score import score
from verify.errors import VerifyError

_BROKEN_PIPE = 141  # what a shell reports of a program that a closed pipe ended
_INTERRUPTED = 130

app = typer.Typer(
    name="verify",
    help="Says from a phone photo which parts of a rebuilt machine are not as they should be. "
    "It advises; a person releases.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)
for command in (check, score, demo):
    app.command()(command)


def _show_version(value: bool) -> None:
    if value:
        typer.echo(f"verify {__version__}")
        raise typer.Exit


@app.callback()
def _common(
    version: Annotated[
        bool, typer.Option("--version", callback=_show_version, is_eager=True, help="Say which.")
    ] = False,
) -> None:
    """Takes the options that belong to no command."""


def main() -> None:
    """Run the command and end the process with its exit code.

    What a person can mend is told in clear lines on standard error. Anything else is a fault
    of the program: Python shows it and ends with 1.
    """
    # Else the interrupt would end with 1, which means a fault of the program.
    signal.signal(signal.SIGINT, lambda *_: sys.exit(_INTERRUPTED))
    try:
        app()
    except VerifyError as error:
        complain(error)
        sys.exit(error.exit_code)
    except ReaderGoneError:
        # Python itself would complain at exit about what it cannot flush.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(_BROKEN_PIPE)
