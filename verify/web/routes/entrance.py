"""Signing in and out, the first supervisor, the language, trusting the certificate."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from http import HTTPStatus
from importlib.resources import files
from typing import Annotated
from urllib.parse import urlsplit

from fastapi import APIRouter, Form
from fastapi.responses import JSONResponse, RedirectResponse, Response

from verify.errors import RefusedError, UsageError
from verify.rebuild.days import time_zone
from verify.rebuild.people import Role
from verify.store import pins
from verify.store.base import require_id
from verify.store.sites import Site
from verify.web.errors import WebError, refusal
from verify.web.language import LANGUAGES, later
from verify.web.pages import render
from verify.web.security import same
from verify.web.visit import CHECKED_ANYBODY, Here, Visit, not_there

router = APIRouter()

Word = Annotated[str, Form(max_length=128)]


@dataclass(frozen=True)
class SignInPage:
    """Who are you?"""

    person: str
    problem: str
    after: str
    first: bool


@dataclass(frozen=True)
class FirstPage:
    """The first supervisor and the first store."""

    problem: str
    filled: dict[str, str]


@dataclass(frozen=True)
class TrustPage:
    """How to trust the certificate. ``fingerprint`` is empty where it is not our own."""

    fingerprint: str


@router.get("/sign-in")
def show_sign_in(visit: Here, after: str = "/") -> Response:
    """Ask who is there; before there is anybody, ask for the first supervisor."""
    if not visit.home.people.anybody():
        return RedirectResponse("/first", HTTPStatus.SEE_OTHER)
    return render(visit, "sign_in.html", SignInPage("", "", _own(after), first=False))


@router.post("/sign-in", dependencies=[CHECKED_ANYBODY])
def sign_in(visit: Here, person: Word, pin: Word, after: Word = "/") -> Response:
    """Let in whose PIN fits."""
    _limited(visit)
    try:
        found = visit.home.people.sign_in(person.strip().lower(), pin)
    except RefusedError as refused:
        page = SignInPage(person, refusal(refused, visit.language), _own(after), first=False)
        status = 429 if refused.code == "locked" else 401
        return render(visit, "sign_in.html", page, status)
    visit.sign_in(found)
    return visit.done(_own(after))


@router.post("/sign-out", dependencies=[CHECKED_ANYBODY])
def sign_out(visit: Here) -> Response:
    """Forget who is there, and what the phone keeps of the pages; not what it has yet to send."""
    visit.sign_out()
    answer = visit.done("/sign-in")
    answer.headers["Clear-Site-Data"] = '"cache"'
    return answer


@router.post("/language", dependencies=[CHECKED_ANYBODY])
def language(visit: Here, code: Word, after: Word = "/") -> Response:
    """Go on in another language."""
    if code not in LANGUAGES:
        text = later("This language is not known here.")
        raise WebError(HTTPStatus.BAD_REQUEST, "language", text)
    answer = visit.done(_own(after))
    answer.set_cookie("language", code, max_age=31_536_000, secure=True, samesite="lax")
    return answer


@router.get("/who.json")
def who(visit: Here) -> Response:
    """Tell a script who is there, and the token for what it has to send."""
    plain = {"person": visit.person.id if visit.person else None, "token": visit.session.csrf}
    answer = JSONResponse(plain)
    visit.keep(answer)
    return answer


@router.get("/worker.js")
def worker() -> Response:
    """Give the script that answers without a network; from here it may speak for all pages."""
    script = files("verify.web").joinpath("static", "worker.js").read_text(encoding="utf-8")
    return Response(script, media_type="text/javascript")


@router.get("/offline")
def offline(visit: Here) -> Response:
    """Say that there is no network; phones keep this page and show it for those they lack."""
    return render(visit, "offline.html", None)


@router.get("/first")
def show_first(visit: Here) -> Response:
    """Ask for the first supervisor; afterwards there is no such page."""
    _only_first(visit)
    return render(visit, "first.html", FirstPage("", {}))


@router.post("/first", dependencies=[CHECKED_ANYBODY])
def first(
    visit: Here,
    code: Word,
    store: Word,
    store_name: Word,
    zone: Word,
    person: Word,
    name: Word,
    pin: Word,
    again: Word,
) -> Response:
    """Make the first store and its supervisor, for whoever sees the terminal of the server."""
    _only_first(visit)
    _limited(visit)
    filled = {
        "store": store,
        "store_name": store_name,
        "zone": zone,
        "person": person,
        "name": name,
    }
    try:
        if not same(code.strip(), visit.desk.settings.setup_code or ""):
            raise UsageError(visit.say("That is not the code that stands in the terminal."))
        if pin != again:
            raise UsageError(visit.say("The two PINs differ."))
        _make_first(visit, Site(store, store_name, zone), person, name, pin)
    except UsageError as error:
        return render(visit, "first.html", FirstPage(visit.say(str(error)), filled), 400)
    visit.sign_in(visit.home.people.person(person))
    return visit.done("/")


@router.get("/trust")
def trust(visit: Here) -> Response:
    """Help to trust the certificate that was made at the first start."""
    file = visit.desk.settings.certificate
    print_of = ""
    if file is not None:
        from verify.web.tls import fingerprint

        print_of = fingerprint(file)
    return render(visit, "trust.html", TrustPage(print_of))


@router.get("/trust/verify.crt")
def certificate(visit: Here) -> Response:
    """Give the certificate itself; it is no secret."""
    file = visit.desk.settings.certificate
    if file is None:
        raise not_there()
    content = file.read_bytes()
    headers = {
        "ETag": f'"{hashlib.sha256(content).hexdigest()[:16]}"',
        "Content-Disposition": 'attachment; filename="verify.crt"',
    }
    return Response(content, headers=headers, media_type="application/x-x509-ca-cert")


def _make_first(visit: Visit, site: Site, person: str, name: str, pin: str) -> None:
    """Check everything, then add the store and the person."""
    require_id(site.id)
    require_id(person)
    time_zone(site.zone)
    pins.require_good(pin)
    if not name.strip():
        raise UsageError("a person needs a name")
    home = visit.home
    if site.id not in {known.id for known in home.sites.stores()}:
        home.sites.add_store(site, by=person)
    home.people.add(
        person,
        name,
        by=person,
        secret=pin,
        roles=[(site.id, Role.SUPERVISOR)],
        language=visit.language.code,
    )


def _only_first(visit: Visit) -> None:
    if visit.desk.settings.setup_code is None or visit.home.people.anybody():
        raise not_there()


def _limited(visit: Visit) -> None:
    client = visit.request.client
    wait = visit.desk.limiter.wait(client.host if client else "")
    if wait:
        text = later("Too many tries from here. Wait a few minutes.")
        raise WebError(HTTPStatus.TOO_MANY_REQUESTS, "too-many", text, wait)


def _own(url: str) -> str:
    """Return an address of ours; the front page for anything else."""
    parts = urlsplit(url)
    fine = not parts.scheme and not parts.netloc and url.startswith("/") and "\\" not in url
    return url if fine and not url.startswith("//") else "/"
