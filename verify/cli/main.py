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
from verify.cli.messages import messages
from verify.cli.output import ReaderGoneError, answer, complain
from verify.cli.people import people
from verify.cli.rebuild import rebuild
from verify.cli.record import record
from verify.cli.score import score
from verify.cli.serve import serve
from verify.cli.store import store
from verify.cli.teach import teach
from verify.cli.wear import wear
from verify.errors import VerifyError

_BROKEN_PIPE = 141  # what a shell reports of a program that a closed pipe ended
_INTERRUPTED = 130

app = typer.Typer(
    no_args_is_help=True,
    context_settings={"help_option_names": ["-h", "--help"]},
    add_completion=False,
    # Plain help and plain faults: the same in a log, a pipe and a narrow terminal, and quick.
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)
for command in (check, score, teach, demo, serve):
    app.command()(command)
for name, commands in {
    "rebuild": rebuild, "wear": wear, "people": people, "store": store, "record": record,
    "messages": messages,
}.items():  # fmt: skip
    app.add_typer(commands, name=name)


def _say_version(wanted: bool) -> None:
    if wanted:
        answer(f"verify {__version__}")
        raise typer.Exit


_Version = Annotated[
    bool,
    typer.Option(
        "--version", callback=_say_version, is_eager=True, help="Show the version and exit."
    ),
]


@app.callback()
def about(version: _Version = False) -> None:
    """Say from a phone photo which parts of a rebuilt machine are not as they should be.

    It advises; a person releases.
    """


def main() -> None:
    """Run the command and end the process with its exit code.

    What a person can mend is told in clear lines on standard error. Anything else is a fault
    of the program: Python shows it and ends with 1.
    """
    # Else the interrupt would end with 1, which means a fault of the program.
    signal.signal(signal.SIGINT, lambda *_: sys.exit(_INTERRUPTED))
    try:
        app(prog_name="verify")
    except VerifyError as error:
        complain(error)
        sys.exit(error.exit_code)
    except ReaderGoneError:
        # Python itself would complain at exit about what it cannot flush.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(_BROKEN_PIPE)
