"""``verify people``: who there is, what they may do, their PINs, their deputies."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Annotated

import typer

from verify.cli.options import group
from verify.cli.output import answer, answer_json, table
from verify.cli.record_options import AsJson, By, OnlyStore, ask_secret, opened, signed_in
from verify.errors import UsageError

if TYPE_CHECKING:
    from verify.rebuild.people import Role
    from verify.store.people import Person

people = group()

_Person = Annotated[str, typer.Argument(metavar="PERSON", help="Id of the person.")]
_Name = Annotated[str, typer.Argument(metavar="NAME", help="As it stands in the records.")]
_Roles = Annotated[
    list[str] | None,
    typer.Option(
        "--role",
        metavar="ROLE@STORE",
        help="crew, manager, supervisor or technician, in a store; as often as needed.",
    ),
]
_Email = Annotated[str | None, typer.Option(metavar="ADDRESS", help="An e-mail address.")]
_Language = Annotated[
    str | None, typer.Option(metavar="TAG", help="Language of messages, such as en or es.")
]
_Store = Annotated[str, typer.Option(metavar="ID", help="The store.")]
_Deputy = Annotated[int, typer.Argument(metavar="NUMBER", help="Of the list of deputies.")]
_Hours = Annotated[float, typer.Option(metavar="NUMBER", help="For how long, from now.")]


@people.callback()
def about() -> None:
    """People: add, list, roles, PINs, deputies, leaving.

    PINs never stand on the command line: VERIFY_PIN is that of --by, VERIFY_NEW_PIN a new one;
    without them they are asked for. Ends with 0, 2 when used wrongly, 5 when not allowed.
    """


@people.command()
def add(
    person: _Person, name: _Name, by: By, roles: _Roles = None, as_json: AsJson = False
) -> None:
    """Add a person. The first one adds herself, as supervisor of a store that is there."""
    wanted = [_role(text) for text in roles or ()]
    secret = ask_secret(f"new PIN of {person}", "VERIFY_NEW_PIN")
    with opened() as home:
        if home.people.anybody():
            home.people.sign_in(by, ask_secret(f"PIN of {by}"))
        added = home.people.add(person, name, by=by, secret=secret, roles=wanted)
    _show([added], as_json)


@people.command("list")
def list_them(store: OnlyStore = None, as_json: AsJson = False) -> None:
    """List people and what they are where."""
    with opened() as home:
        found = home.people.everybody(store)
    _show(found, as_json)


@people.command()
def roles(person: _Person, by: By, roles: _Roles = None, as_json: AsJson = False) -> None:
    """Give a person these roles in place of the old ones."""
    wanted = [_role(text) for text in roles or ()]
    with signed_in(by) as home:
        changed = home.people.set_roles(person, wanted, by=by)
    _show([changed], as_json)


@people.command()
def pin(person: _Person, by: By) -> None:
    """Set a new PIN or password.

    Whoever was locked out may try again.
    """
    with signed_in(by) as home:
        home.people.set_secret(person, ask_secret(f"new PIN of {person}", "VERIFY_NEW_PIN"), by=by)
    answer(f"{person} has a new PIN")


@people.command()
def contact(person: _Person, by: By, email: _Email = None, language: _Language = None) -> None:
    """Set where messages to a person go.

    Without --email, nowhere any more. The address stands in no record.
    """
    with signed_in(by) as home:
        set_so = home.people.set_contact(person, by=by, email=email, language=language)
    answer(f"{person}: {set_so.email or 'no messages'}, in {set_so.language}")


@people.command()
def leave(person: _Person, by: By) -> None:
    """Record that a person has left; the records keep the name."""
    with signed_in(by) as home:
        home.people.leave(person, by=by)
    answer(f"{person} has left")


@people.command()
def deputy(person: _Person, store: _Store, by: By, hours: _Hours = 12) -> None:
    """Let a person stand in for a supervisor of a store for a while."""
    from datetime import timedelta

    from verify.rebuild.people import LONGEST_DEPUTY
    from verify.store.base import now_utc

    most = LONGEST_DEPUTY / timedelta(hours=1)
    if not 0 < hours <= most:
        raise UsageError(f"--hours {hours:g} cannot be; allowed: more than 0, at most {most:g}")
    starts = now_utc()
    ends = starts + timedelta(hours=hours)
    with signed_in(by) as home:
        named = home.deputies.name(person, store, starts, ends, by=by)
    until = f"{named.ends:%Y-%m-%d %H:%M} UTC"
    answer(f"{person} stands in at {store} until {until}; deputy {named.id}")


@people.command()
def deputies(store: OnlyStore = None, as_json: AsJson = False) -> None:
    """List who stands in for a supervisor, now or later."""
    from verify.rebuild.entries import to_rfc3339

    with opened() as home:
        found = home.deputies.listed(store)
    if as_json:
        for one in found:
            times = {"starts": to_rfc3339(one.starts), "ends": to_rfc3339(one.ends)}
            answer_json(json.dumps({**vars(one), **times}))
        return
    rows = [
        (str(one.id), one.person, one.store, f"{one.starts:%Y-%m-%d %H:%M}",
         f"until {one.ends:%Y-%m-%d %H:%M} UTC")
        for one in found
    ]  # fmt: skip
    for line in table(rows, (6, 16, 16, 18, 30)):
        answer(line)


@people.command("end-deputy")
def end_deputy(deputy: _Deputy, by: By) -> None:
    """End now that somebody stands in.

    Managers and the deputy may do that, too.
    """
    with signed_in(by) as home:
        home.deputies.end(deputy, by=by)
    answer(f"deputy {deputy} does not stand in any more")


def _role(text: str) -> tuple[str, Role]:
    from verify.rebuild.people import Role

    word, _, store = text.partition("@")
    if word not in list(Role) or not store:
        raise UsageError(f"--role {text} is not known; allowed: {'@STORE, '.join(Role)}@STORE")
    return store, Role(word)


def _show(found: list[Person], as_json: bool) -> None:
    if as_json:
        for person in found:
            roles = [{"store": store, "role": role.value} for store, role in person.roles]
            plain = {
                "id": person.id,
                "name": person.name,
                "language": person.language,
                "active": person.active,
                "can_sign_in": person.can_sign_in,
                "email": person.email,
                "roles": roles,
            }
            answer_json(json.dumps(plain, ensure_ascii=False))
        return
    rows = [
        (
            person.id,
            person.name,
            ", ".join(f"{role.value}@{store}" for store, role in person.roles)
            if person.active
            else "has left",
        )
        for person in found
    ]
    for line in table(rows, (16, 22, 40)):
        answer(line)
