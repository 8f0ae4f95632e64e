"""One request and who makes it: what routes are given, and what they may ask of it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from http import HTTPStatus
from typing import Annotated

from anyio import CapacityLimiter
from fastapi import Depends, Request
from fastapi.responses import JSONResponse, RedirectResponse, Response

from verify.errors import UsageError
from verify.rebuild.people import ANSWERABLE, SETTING_UP, Actor, Role
from verify.rebuild.replay import Rebuild
from verify.store.home import Home
from verify.store.people import Person
from verify.store.sites import KnownMachine, Site
from verify.web.errors import WebError, wants_json
from verify.web.judging import Judges
from verify.web.language import LANGUAGES, Language, later
from verify.web.pages import Link, Shell, language_of
from verify.web.security import (
    COOKIE,
    Limiter,
    Session,
    Sessions,
    comes_from_here,
    new_session,
    same,
)
from verify.web.settings import WebSettings
from verify.web.teaching import Trials
from verify.web.workshop import Workshop


@dataclass(frozen=True)
class Desk:
    """What all requests share."""

    home: Home
    settings: WebSettings
    judges: Judges
    sessions: Sessions
    limiter: Limiter
    trials: Trials
    workshop: Workshop
    photo_places: CapacityLimiter


class Visit:
    """One request.

    Attributes:
        person: who has signed in; None for nobody.
        session: what the cookie says, or a new one.
    """

    def __init__(self, request: Request) -> None:
        self.request = request
        self.desk: Desk = request.app.state.desk
        self.language: Language = language_of(request)
        cookie = request.cookies.get(COOKIE)
        found = self.desk.sessions.read(cookie)
        self.session = found or new_session()
        self._actors: dict[str, Actor] | None = None
        self.person = self._known(self.session)
        if found is not None and found.person is not None and self.person is None:
            self.session = new_session()

    @property
    def home(self) -> Home:
        """The open installation."""
        return self.desk.home

    @property
    def by(self) -> str:
        """Id of whoever has signed in.

        Raises:
            WebError: nobody has.
        """
        if self.person is None:
            raise WebError(HTTPStatus.UNAUTHORIZED, "sign-in", later("Please sign in."))
        return self.person.id

    def say(self, text: str, **values: object) -> str:
        """Return a text in the visitor's language."""
        return self.language.say(text, **values)

    @property
    def actors(self) -> dict[str, Actor]:
        """What this person is in each store, now; stores without a part in them are left out."""
        # functools.cached_property would have all requests wait for one another (Python < 3.12).
        if self._actors is None:
            by, ask = self.by, self.home.people.actor
            every = {site.id: ask(by, site.id) for site in self.home.sites.stores()}
            self._actors = {store: actor for store, actor in every.items() if actor.roles}
        return self._actors

    def stores(self, *roles: Role) -> list[Site]:
        """Return the stores in which this person has one of the roles; any if none is named."""
        wanted = set(roles or Role)
        mine = {store for store, actor in self.actors.items() if actor.roles & wanted}
        return [site for site in self.home.sites.stores() if site.id in mine]

    def require_stores(self, *roles: Role) -> list[Site]:
        """Return the stores in which this person has one of the roles.

        Raises:
            WebError: there is none.
        """
        found = self.stores(*roles)
        if not found:
            raise _not_allowed()
        return found

    def is_any(self, store: str, *roles: Role) -> bool:
        """True if this person has one of the roles in a store."""
        actor = self.actors.get(store)
        return actor is not None and bool(actor.roles & set(roles))

    def require(self, store: str, roles: Iterable[Role] = Role) -> Actor:
        """Return what this person is in a store.

        Raises:
            WebError: none of the roles.
        """
        actor = self.actors.get(store)
        if actor is None or not actor.roles & set(roles):
            raise _not_allowed()
        return actor

    def rebuild(self, rebuild_id: str, roles: Iterable[Role] = Role) -> Rebuild:
        """Return a rebuild of a store in which this person has one of the roles.

        Raises:
            WebError: there is no such rebuild, or it is none of this person's business.
        """
        self.by  # noqa: B018 - signing in comes before any word on what there is
        try:
            rebuild = self.home.rebuilds.get(rebuild_id)
        except UsageError:
            raise not_there() from None
        self.require(rebuild.store, roles)
        return rebuild

    def machine(self, machine_id: str, roles: Iterable[Role] = Role) -> KnownMachine:
        """Return a machine of a store in which this person has one of the roles.

        Raises:
            WebError: there is no such machine, or it is none of this person's business.
        """
        self.by  # noqa: B018 - as above
        try:
            machine = self.home.sites.machine(machine_id)
        except UsageError:
            raise not_there() from None
        self.require(machine.store, roles)
        return machine

    def done(self, url: str, *, told: str = "") -> Response:
        """Return the way to the page that comes next; a script is told it as JSON."""
        if wants_json(self.request):
            answer: Response = JSONResponse({"next": url, "told": told})
        else:
            answer = RedirectResponse(url, HTTPStatus.SEE_OTHER)
        self.keep(answer)
        return answer

    def keep(self, response: Response) -> None:
        """Put the session into an answer, so that it lives on while it is used."""
        self.desk.sessions.write(response, self.session)

    def shell(self) -> Shell:
        """Return what stands around every page."""
        url = self.request.url
        path = f"{url.path}?{url.query}" if url.query else url.path
        return Shell(
            person=self.person.name if self.person else "",
            person_id=self.person.id if self.person else "",
            links=tuple(self._links(url.path)) if self.person else (),
            csrf=self.session.csrf,
            path=path,
            language=self.language.code,
            other=next(code for code in LANGUAGES if code != self.language.code),
        )

    def _links(self, path: str) -> Iterable[Link]:
        roles = {role for actor in self.actors.values() for role in actor.roles}
        answerable, looking = bool(roles & ANSWERABLE), bool(roles & SETTING_UP)
        wanted = [
            (later("Tonight"), "/", True),
            (later("Waiting"), "/waiting", answerable),
            (later("Flagged"), "/flagged", answerable),
            (later("People"), "/people", answerable),
            (later("Machines"), "/machines", looking),
            (later("Trends"), "/trends", looking),
        ]
        for title, url, shown in wanted:
            if shown:
                here = path == url if url == "/" else path.startswith(url)
                yield Link(self.say(title), url, here)

    def _known(self, session: Session) -> Person | None:
        """Return the person of a session, unless she has left or has a new PIN since."""
        if session.person is None:
            return None
        mark = self.home.people.secret_mark(session.person)
        if mark is None or session.mark is None or not same(mark, session.mark):
            return None
        return self.home.people.person(session.person)

    def sign_in(self, person: Person) -> None:
        """Go on as somebody, in a session that nobody had before."""
        mark = self.home.people.secret_mark(person.id)
        self.session = new_session(person.id, mark)
        self.person = person

    def sign_out(self) -> None:
        """Go on as nobody; what comes with the old session from now on is nobody's."""
        if self.person is not None:
            self.desk.sessions.end(self.session)
        self.session, self.person = new_session(), None


def _not_allowed() -> WebError:
    return WebError(
        HTTPStatus.FORBIDDEN, "role", later("Your part in this store does not allow that.")
    )


def not_there() -> WebError:
    """Return the error of an address behind which there is nothing."""
    return WebError(
        HTTPStatus.NOT_FOUND,
        "not-there",
        later("There is nothing here. Perhaps the address was typed wrongly."),
    )


def visit_of(request: Request) -> Visit:
    """Return the visit of a request; the same one each time."""
    if not hasattr(request.state, "visit"):
        request.state.visit = Visit(request)
    visit: Visit = request.state.visit
    return visit


def signed_in(request: Request) -> Visit:
    """Return the visit of somebody who has signed in.

    Raises:
        WebError: nobody has.
    """
    visit = visit_of(request)
    visit.by  # noqa: B018 - raises
    return visit


async def posted(request: Request) -> None:
    """Refuse a form that was not made for this session.

    Raises:
        WebError: it comes from another site, or its token is missing or another session's.
    """
    visit = visit_of(request)
    form = await request.form(max_files=1, max_fields=200)
    token = form.get("token")
    fits = isinstance(token, str) and same(token, visit.session.csrf)
    if not fits or not comes_from_here(request.headers):
        raise WebError(
            HTTPStatus.FORBIDDEN,
            "token",
            later(
                "This form is too old or came from elsewhere. Load the page again and repeat it."
            ),
        )


async def posted_by_known(request: Request) -> None:
    """The same, and refuse whoever has not signed in first.

    Raises:
        WebError: nobody has signed in, or as above.
    """
    signed_in(request)
    await posted(request)


Here = Annotated[Visit, Depends(visit_of)]
Known = Annotated[Visit, Depends(signed_in)]
CHECKED = Depends(posted_by_known)
CHECKED_ANYBODY = Depends(posted)
