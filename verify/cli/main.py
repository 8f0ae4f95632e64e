"""Entry point of the ``verify`` command.

Only what every start needs is imported here; a command imports the rest when it runs.
"""

from __future__ import annotations

import os
import signal
import sys

import click

from verify import __version__
from verify.cli.check import check
from verify.cli.demo import demo
from verify.cli.output import ReaderGoneError, complain
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


@click.group(
    commands=[check, score, teach, demo, rebuild, wear, people, store, record, serve],
    context_settings={"help_option_names": ["-h", "--help"]},
)
@click.version_option(__version__, prog_name="verify", message="%(prog)s %(version)s")
def app() -> None:
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
