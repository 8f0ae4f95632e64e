"""From a typed page to HTML, in the language of the visitor."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

from fastapi import Request
from fastapi.responses import HTMLResponse
from jinja2 import Environment, PackageLoader, StrictUndefined

from verify import __version__
from verify.web.language import Language, choose, translations

if TYPE_CHECKING:
    from verify.web.errors import Trouble
    from verify.web.visit import Visit


@dataclass(frozen=True)
class Link:
    """One way from here."""

    title: str
    url: str
    here: bool = False
    count: int = 0


@dataclass(frozen=True)
class Shell:
    """What every page needs around itself.

    Attributes:
        person: name of whoever is signed in; empty for nobody.
        person_id: the same as an id.
        links: where this person may go.
        csrf: for forms; empty where there is no session.
        path: of this page, with its query.
        language, other: code of this page's language, and of the other one.
    """

    person: str
    person_id: str
    links: tuple[Link, ...]
    csrf: str
    path: str
    language: str
    other: str
    version: str = __version__


@dataclass(frozen=True)
class TroublePage:
    """An error, told."""

    status: int
    message: str
    sign_in: bool


def language_of(request: Request) -> Language:
    """Return the language of a visitor: chosen by hand, else the one that the phone asks for."""
    accepted = request.headers.get("accept-language", "")
    return choose(accepted, request.cookies.get("language"))


def render(visit: Visit, template: str, page: object, status: int = 200) -> HTMLResponse:
    """Return a page."""
    html = _environment(visit.language.code).get_template(template)
    text = html.render(page=page, shell=visit.shell(), language=visit.language)
    response = HTMLResponse(text, status)
    visit.keep(response)
    return response


def trouble_page(request: Request, trouble: Trouble) -> HTMLResponse:
    """Return an error as a page; whoever has not signed in may do so there."""
    from verify.web.visit import visit_of

    visit = visit_of(request)
    page = TroublePage(trouble.status, trouble.message, trouble.code == "sign-in")
    return render(visit, "trouble.html", page, trouble.status)


@cache
def _environment(code: str) -> Environment:
    environment = Environment(
        loader=PackageLoader("verify.web"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        extensions=["jinja2.ext.i18n"],
    )
    environment.policies["ext.i18n.trimmed"] = True
    environment.filters["first_up"] = lambda text: text[:1].upper() + text[1:]
    environment.install_gettext_translations(  # type: ignore[attr-defined]
        translations(code), newstyle=True
    )
    return environment
