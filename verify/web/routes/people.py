"""People: who there is, added, given a new PIN, or gone; and everybody's own PIN."""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from http import HTTPStatus
from typing import Annotated

from fastapi import APIRouter, Form
from fastapi.responses import Response

from verify.errors import RefusedError, UsageError
from verify.rebuild.people import ANSWERABLE, NAMING_DEPUTIES, Role, may_give
from verify.store import pins
from verify.store.people import Person
from verify.web import words
from verify.web.deputies import (
    DeputyForm,
    DeputyLine,
    by_clock,
    deputy_form,
    deputy_lines,
    own_stores,
)
from verify.web.errors import WebError, refusal
from verify.web.language import LANGUAGES, choose, later
from verify.web.pages import render
from verify.web.routes.supervisor import confirm
from verify.web.visit import CHECKED, Known, Visit, not_there

router = APIRouter()

Word = Annotated[str, Form(max_length=128)]
Clock = Annotated[str, Form(max_length=32)]
Email = Annotated[str, Form(max_length=254)]

LANGUAGE_NAMES = {"en": "English", "es": "Español"}  # each in its own words


@dataclass(frozen=True)
class PersonLine:
    """One person of these stores, with what they are there."""

    id: str
    name: str
    parts: str
    can_sign_in: bool
    mine: bool
    change: bool  # this person may give or take one of her roles, or set where messages go
    may: bool  # this person may give her a PIN, and say that she has left


@dataclass(frozen=True)
class PeoplePage:
    """Who there is.

    Attributes:
        deputies: who stands in for a supervisor.
        naming: who may be named for that.
        stores, roles: id and words of what may be given; none where nothing may.
        done: what was just changed: ``left``, ``named``, ``ended``, or empty.
        new_pin: name, sign-in name and PIN, shown this once; None otherwise.
        problem: what went wrong with the last try; empty otherwise.
        filled: what was typed in.
    """

    people: tuple[PersonLine, ...]
    deputies: tuple[DeputyLine, ...]
    naming: DeputyForm
    stores: tuple[tuple[str, str], ...]
    roles: tuple[tuple[str, str], ...]
    done: str
    new_pin: tuple[str, str, str] | None
    problem: str
    filled: dict[str, str]


@dataclass(frozen=True)
class MinePage:
    """One's own PIN, and where messages go.

    Attributes:
        problem: what went wrong with the last try; empty otherwise.
        done: what was changed: ``pin``, ``contact``, or empty.
        email, language: of messages.
        languages: code and name of those that there are.
        mail: True where this server sends e-mail.
    """

    problem: str
    done: str
    email: str
    language: str
    languages: tuple[tuple[str, str], ...]
    mail: bool


@router.get("/people")
def people(visit: Known, done: str = "") -> Response:
    """Show the people of this person's stores."""
    return _show(visit, done=done)


@router.post("/people/add", dependencies=[CHECKED])
def add(
    visit: Known, person: Word, name: Word, store: Word, role: Annotated[Role, Form()]
) -> Response:
    """Add a person with a PIN that is shown once."""
    visit.require(store, ANSWERABLE)
    pin = _new_pin()
    person = person.strip().lower()
    try:
        added = visit.home.people.add(
            person,
            name,
            by=visit.by,
            secret=pin,
            roles=[(store, role)],
            language=visit.language.code,
        )
    except UsageError as error:
        filled = {"person": person, "name": name, "store": store, "role": role.value}
        return _show(
            visit, problem=visit.say(str(error)), filled=filled, status=HTTPStatus.BAD_REQUEST
        )
    return _show(visit, new_pin=(added.name, added.id, pin))


@router.post("/people/{person_id}/pin", dependencies=[CHECKED])
def new_pin(visit: Known, person_id: str) -> Response:
    """Give a person a new PIN that is shown once; whoever is signed in with the old one is out."""
    found = member(visit, person_id)
    pin = _new_pin()
    visit.home.people.set_secret(person_id, pin, by=visit.by)
    return _show(visit, new_pin=(found.name, found.id, pin))


@router.post("/people/{person_id}/leave", dependencies=[CHECKED])
def leave(visit: Known, person_id: str, sure: Annotated[bool, Form()]) -> Response:
    """Record that a person has left."""
    found = member(visit, person_id)
    if not sure:
        return visit.done("/people")
    visit.home.people.leave(found.id, by=visit.by)
    return visit.done("/people?done=left")


@router.post("/people/deputy", dependencies=[CHECKED])
def name_deputy(
    visit: Known, person: Word, store: Word, ends: Clock = "", starts: Clock = ""
) -> Response:
    """Let somebody stand in for a supervisor; without a beginning from now on."""
    visit.require(store, NAMING_DEPUTIES)
    zone = visit.home.sites.store(store).zone
    now = visit.home.deputies.clock()
    try:
        begins = by_clock(starts, zone) if starts else now
        visit.home.deputies.name(person, store, begins, by_clock(ends, zone), by=visit.by)
    except UsageError as error:
        filled = {"deputy": person, "at": store, "starts": starts, "ends": ends}
        return _show(
            visit, problem=visit.say(str(error)), filled=filled, status=HTTPStatus.BAD_REQUEST
        )
    return visit.done("/people?done=named")


@router.post("/people/deputy/{number}/end", dependencies=[CHECKED])
def end_deputy(visit: Known, number: int) -> Response:
    """End now that somebody stands in."""
    sites = visit.require_stores(*ANSWERABLE)
    deputies = {d.id: d for site in sites for d in visit.home.deputies.listed(site.id)}
    if number not in deputies:
        raise not_there()
    visit.home.deputies.end(number, by=visit.by)
    mine = deputies[number].person == visit.by  # who may not see the page of people any more
    return visit.done("/" if mine else "/people?done=ended")


@router.get("/me")
def mine(visit: Known) -> Response:
    """Show the forms for one's own PIN and messages."""
    return _show_mine(visit)


@router.post("/me/pin", dependencies=[CHECKED])
def change_mine(visit: Known, old: Word, pin: Word, again: Word) -> Response:
    """Change one's own PIN; other phones that are signed in with the old one are out."""
    try:
        confirm(visit, old)
        if pin != again:
            raise UsageError(visit.say("The two PINs differ."))
        visit.home.people.set_secret(visit.by, pin, by=visit.by)
    except RefusedError as error:
        told = refusal(error, visit.language)
        return _show_mine(visit, problem=told, status=HTTPStatus.FORBIDDEN)
    except UsageError as error:
        return _show_mine(visit, problem=visit.say(str(error)), status=HTTPStatus.BAD_REQUEST)
    visit.sign_in(visit.home.people.person(visit.by))
    return _show_mine(visit, done="pin")


@router.post("/me/contact", dependencies=[CHECKED])
def change_contact(visit: Known, language: Word, email: Email = "") -> Response:
    """Change where one's own messages go, and in which language; nowhere without an address."""
    problem = keep_contact(visit, visit.by, email, language)
    if problem:
        return _show_mine(visit, problem=problem, email=email, status=HTTPStatus.BAD_REQUEST)
    return _show_mine(visit, done="contact")


def keep_contact(visit: Visit, person_id: str, email: str, language: str) -> str:
    """Keep where messages to somebody go; return what is wrong with the address, or nothing.

    Raises:
        WebError: pages do not speak that language.
        RefusedError: this person may not.
    """
    if language not in LANGUAGES:
        text = later("This language is not known here.")
        raise WebError(HTTPStatus.BAD_REQUEST, "language", text)
    try:
        visit.home.people.set_contact(
            person_id, by=visit.by, email=email.strip() or None, language=language
        )
    except UsageError:
        return visit.say("That is no e-mail address; one looks like name@example.org.")
    return ""


def _show_mine(
    visit: Visit,
    *,
    problem: str = "",
    done: str = "",
    email: str | None = None,
    status: int = 200,
) -> Response:
    person = visit.home.people.person(visit.by)
    page = MinePage(
        problem=problem,
        done=done,
        email=(person.email or "") if email is None else email,
        language=choose(person.language).code,
        languages=tuple(LANGUAGE_NAMES.items()),
        mail=visit.desk.settings.mail,
    )
    return render(visit, "mine.html", page, status)


def member(visit: Visit, person_id: str) -> Person:
    """Return a person of a store in which this one is answerable.

    Raises:
        WebError: there is none of that id in these stores, or this one is answerable in none.
    """
    stores = {site.id for site in visit.require_stores(*ANSWERABLE)}
    try:
        found = visit.home.people.person(person_id)
    except UsageError:
        raise not_there() from None
    if not stores & {store for store, _ in found.roles}:
        raise not_there()
    return found


def _show(
    visit: Visit,
    *,
    new_pin: tuple[str, str, str] | None = None,
    problem: str = "",
    filled: dict[str, str] | None = None,
    status: int = 200,
    done: str = "",
) -> Response:
    sites = visit.require_stores(*ANSWERABLE)
    names = {site.id: site.name for site in sites}
    known = {p.id: p for site in sites for p in visit.home.people.everybody(site.id)}
    everybody = sorted(known.values(), key=lambda p: p.name)
    mine = visit.home.people.person(visit.by).roles
    giving = own_stores(visit, sites, ANSWERABLE)
    lines = [
        PersonLine(
            id=person.id,
            name=person.name,
            parts="; ".join(
                f"{names[store]}: {visit.say(words.ROLES[role])}"
                for store, role in person.roles
                if store in names
            ),
            can_sign_in=person.can_sign_in,
            mine=person.id == visit.by,
            change=bool(giving) and person.id != visit.by,
            may=may_give(mine, person.roles),
        )
        for person in everybody
    ]
    supervises = bool(own_stores(visit, sites, frozenset({Role.SUPERVISOR})))
    page = PeoplePage(
        people=tuple(lines),
        deputies=deputy_lines(visit, sites),
        naming=deputy_form(visit, sites, everybody),
        stores=tuple((site.id, site.name) for site in giving),
        roles=tuple(
            (role.value, visit.say(words.ROLES[role]))
            for role in Role
            if supervises or role is Role.CREW
        ),
        done=done,
        new_pin=new_pin,
        problem=problem,
        filled=filled or {},
    )
    return render(visit, "people.html", page, status)


def _new_pin() -> str:
    """Return a PIN that is not guessed first (NIST SP 800-63-3, 5.1.1: random, 6 digits)."""
    while True:
        pin = f"{secrets.randbelow(10**pins.MIN_PIN):0{pins.MIN_PIN}d}"
        try:
            pins.require_good(pin)
        except UsageError:
            continue
        return pin
