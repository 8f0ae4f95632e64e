"""What the commands about records take in the same way, and how somebody signs in."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Annotated

import typer

from verify.errors import UsageError

if TYPE_CHECKING:
    from verify.rebuild.replay import Rebuild
    from verify.store.home import Home

HELD = 3
AGAIN = 4

AsJson = Annotated[bool, typer.Option("--json", help="One JSON object per line.")]
By = Annotated[
    str,
    typer.Option(
        metavar="PERSON",
        envvar="VERIFY_BY",
        help="Who does it; the PIN is asked for, or taken from VERIFY_PIN.",
    ),
]
Why = Annotated[str, typer.Option(metavar="TEXT", help="The reason; it is recorded.")]
Count = Annotated[int, typer.Option(metavar="NUMBER", help="How many.")]
RebuildName = Annotated[
    str, typer.Argument(metavar="REBUILD", help="Its id, or its machine's while it goes on.")
]
MachineName = Annotated[str, typer.Argument(metavar="MACHINE", help="Id of the machine.")]
WearPart = Annotated[str, typer.Argument(metavar="PART", help="Id of a part in the wear kit.")]
OnlyStore = Annotated[str | None, typer.Option(metavar="ID", help="Only of this store.")]


@contextmanager
def opened() -> Iterator[Home]:
    """Give the open installation that the settings name."""
    from verify.settings import read_record_settings
    from verify.store.home import open_home

    with open_home(read_record_settings()) as home:
        yield home


@contextmanager
def signed_in(person: str) -> Iterator[Home]:
    """Give the open installation to somebody whose PIN fits.

    Raises:
        RefusedError: it does not.
    """
    secret = ask_secret(f"PIN of {person}")
    with opened() as home:
        home.people.sign_in(person, secret)
        yield home


def ask_secret(prompt: str, variable: str = "VERIFY_PIN") -> str:
    """Return a PIN or password from a variable, else from the keyboard, unseen.

    Never from the command line, where other people of the computer could read it.

    Raises:
        UsageError: there is neither.
    """
    given = os.environ.get(variable)
    if given:
        return given
    if not sys.stdin.isatty():
        raise UsageError(f"no PIN was given; set {variable}, or run this in a terminal")
    return str(typer.prompt(prompt, hide_input=True, err=True))


def find_rebuild(home: Home, named: str) -> str:
    """Return the id of a rebuild that is named by its id, or by its machine while it goes on."""
    if any(machine.id == named for machine in home.sites.machines()):
        going_on = home.rebuilds.going_on(named)
        if going_on is None:
            raise UsageError(f"no rebuild of {named} is going on; start one, or name an older one")
        return going_on
    return named


def act(rebuild: str, person: str, as_json: bool, do: Callable[[Home, str], Rebuild]) -> Rebuild:
    """Sign in, do one thing to a rebuild, and show where it stands then."""
    from verify.cli.rebuild_lines import show_rebuild

    with signed_in(person) as home:
        after = do(home, find_rebuild(home, rebuild))
        show_rebuild(after, as_json=as_json, names=names_of(home))
    return after


def names_of(home: Home) -> dict[str, str]:
    """Return the names of all people by id."""
    return {person.id: person.name for person in home.people.everybody()}
