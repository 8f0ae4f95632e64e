"""One person: what they are in which store, and where messages to them go."""

from __future__ import annotations

from dataclasses import dataclass
from http import HTTPStatus
from typing import Annotated

from fastapi import APIRouter, Form
from fastapi.responses import Response

from verify.errors import UsageError
from verify.rebuild.people import ANSWERABLE, Role, giving, may_give
from verify.store.people import Person
from verify.web import words
from verify.web.errors import WebError, reason
from verify.web.language import choose, later
from verify.web.pages import render
from verify.web.routes.people import LANGUAGE_NAMES, Email, Word, keep_contact, member
from verify.web.visit import CHECKED, Known, Visit

router = APIRouter()

# ``store/role``, as often as there are; what a page offers is far less.
Parts = Annotated[list[Annotated[str, Form(max_length=80)]] | None, Form(max_length=400)]


@dataclass(frozen=True)
class Offer:
    """One role that may be given or taken.

    Attributes:
        value: store and role, as the form sends them.
        may: what whoever has it does, in a few words.
        held: True where the person has it.
    """

    value: str
    name: str
    may: str
    held: bool


@dataclass(frozen=True)
class StoreOffers:
    """What may be given or taken in one store; ``fixed`` is what others have to change."""

    name: str
    offers: tuple[Offer, ...]
    fixed: tuple[str, ...]

    @property
    def here(self) -> bool:
        """True where the person has a role now."""
        return bool(self.fixed) or any(offer.held for offer in self.offers)


@dataclass(frozen=True)
class PersonPage:
    """One person, as somebody answerable sees them.

    Attributes:
        mine: True on one's own page: there is nothing to change on it.
        reached: True where an address for messages is kept; nobody else is shown it.
        contact: True for whoever may set the address.
        problem: what went wrong with the last try; empty otherwise.
        done: what was changed: ``roles``, ``contact``, or empty.
    """

    id: str
    name: str
    mine: bool
    stores: tuple[StoreOffers, ...]
    reached: bool
    contact: bool
    language: str
    languages: tuple[tuple[str, str], ...]
    mail: bool
    problem: str
    done: str


@router.get("/people/{person_id}")
def show(visit: Known, person_id: str, done: str = "") -> Response:
    """Show what somebody is where."""
    return _show(visit, member(visit, person_id), done=done)


@router.post("/people/{person_id}/roles", dependencies=[CHECKED])
def change_roles(visit: Known, person_id: str, part: Parts = None, was: Parts = None) -> Response:
    """Give and take roles: what was ticked since the page was shown, and what no longer is."""
    found = member(visit, person_id)
    ticked, before = _parts(part), _parts(was)
    try:
        changed = visit.home.people.change_roles(
            found.id, give=ticked - before, take=before - ticked, by=visit.by
        )
    except UsageError as error:
        told = reason(error, visit.language)
        return _show(visit, found, problem=told, status=HTTPStatus.BAD_REQUEST)
    mine = {site.id for site in visit.require_stores(*ANSWERABLE)}
    if not mine & {store for store, _ in changed.roles}:
        return visit.done("/people?done=left")  # somebody of other stores only
    return visit.done(f"/people/{found.id}?done=roles")


@router.post("/people/{person_id}/contact", dependencies=[CHECKED])
def change_contact(visit: Known, person_id: str, language: Word, email: Email = "") -> Response:
    """Set where messages to somebody go, and in which language; nowhere without an address."""
    found = member(visit, person_id)
    problem = keep_contact(visit, found.id, email, language)
    if problem:
        return _show(visit, found, problem=problem, status=HTTPStatus.BAD_REQUEST)
    return visit.done(f"/people/{found.id}?done=contact")


def _parts(sent: list[str] | None) -> set[tuple[str, Role]]:
    """Return the roles that a form names.

    Raises:
        WebError: there is no such role.
    """
    found = set()
    for text in sent or ():
        store, _, role = text.rpartition("/")
        if role not in list(Role):
            raise WebError(HTTPStatus.BAD_REQUEST, "role", later("This role is not known here."))
        found.add((store, Role(role)))
    return found


def _show(
    visit: Visit, person: Person, *, problem: str = "", done: str = "", status: int = 200
) -> Response:
    mine = visit.home.people.person(visit.by).roles
    page = PersonPage(
        id=person.id,
        name=person.name,
        mine=person.id == visit.by,
        stores=tuple(_offers(visit, person)),
        reached=person.email is not None,
        contact=person.id != visit.by and may_give(mine, person.roles),
        language=choose(person.language).code,
        languages=tuple(LANGUAGE_NAMES.items()),
        mail=visit.desk.settings.mail,
        problem=problem,
        done=done,
    )
    return render(visit, "person.html", page, status)


def _offers(visit: Visit, person: Person) -> list[StoreOffers]:
    """Return the stores of this person, with what this one may give or take there."""
    found = []
    for site in visit.require_stores(*ANSWERABLE):
        own = visit.actors[site.id].own_roles if person.id != visit.by else frozenset()
        held = {role for store, role in person.roles if store == site.id}
        offered = [role for role in Role if own & giving(role)]
        fixed = [role for role in Role if role in held and role not in offered]
        if offered or fixed:
            offers = tuple(
                Offer(
                    f"{site.id}/{role}",
                    visit.say(words.ROLES[role]),
                    visit.say(words.ROLES_DO[role]),
                    role in held,
                )
                for role in offered
            )
            names = tuple(visit.say(words.ROLES[role]) for role in fixed)
            found.append(StoreOffers(site.name, offers, names))
    return sorted(found, key=lambda store: not store.here)
