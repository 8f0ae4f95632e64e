"""Setting up one machine: its views, a try, and the word that crews may use it."""

from __future__ import annotations

from http import HTTPStatus
from typing import Annotated

from fastapi import APIRouter, Form
from fastapi.responses import Response

from verify.errors import BrokenFileError, UsageError
from verify.store.draft_edits import add_view, drop_view
from verify.store.draft_use import use
from verify.store.drafts import Draft
from verify.web.errors import WebError
from verify.web.language import later
from verify.web.pages import render
from verify.web.setup_build import Bench, Working, setup_page
from verify.web.setup_shots_build import advice_page
from verify.web.visit import CHECKED

router = APIRouter()

Word = Annotated[str, Form(max_length=200)]
_FIXED = later("This machine has a plan that names its views: they are added or taken out there.")
_OLD = later("Something was changed since it was tried. Try it again first.")


@router.get("/set-up/{draft_id}")
def show(on: Working) -> Response:
    """Show how far the set-up of a machine is."""
    return render(on.visit, "setup.html", setup_page(on))


@router.post("/set-up/{draft_id}/view", dependencies=[CHECKED])
def new_view(on: Working, title: Word = "", ask: Word = "") -> Response:
    """Add a view and go on to its photo."""
    _require_free(on)
    added: list[str] = []

    def change(draft: Draft) -> Draft:
        after, view_id = add_view(draft, title, ask)
        added.append(view_id)
        return after

    on.change(change)
    return on.visit.done(on.view_url(added[-1]))


@router.post("/set-up/{draft_id}/view/{view_id}/drop", dependencies=[CHECKED])
def take_view_out(on: Working, view_id: str, sure: Annotated[bool, Form()] = False) -> Response:
    """Take a view out of the set-up."""
    on.view(view_id)
    _require_free(on)
    if sure:
        on.change(lambda draft: drop_view(draft, view_id))
    return on.visit.done(on.url)


@router.post("/set-up/{draft_id}/drop", dependencies=[CHECKED])
def give_up(on: Working, sure: Annotated[bool, Form()] = False) -> Response:
    """Delete a set-up; a machine that crews use stays as it is."""
    if not sure:
        return on.visit.done(on.url)
    on.visit.desk.workshop.drafts.drop(on.draft.id)
    on.visit.desk.workshop.forget(on.draft.id)
    return on.visit.done("/machines")


@router.post("/set-up/{draft_id}/try", dependencies=[CHECKED])
def try_it(on: Working) -> Response:
    """Try the set-up on its own shots, in the background."""
    try:
        on.visit.desk.workshop.begin(on.draft)
    except (UsageError, BrokenFileError) as error:
        page = setup_page(on, _told(on, error))
        return render(on.visit, "setup.html", page, HTTPStatus.CONFLICT)
    return on.visit.done(f"{on.url}/advice")


@router.get("/set-up/{draft_id}/advice")
def advice(on: Working) -> Response:
    """Show what a try found out, and which shots would help."""
    return render(on.visit, "advice.html", advice_page(on))


@router.post("/set-up/{draft_id}/use", dependencies=[CHECKED])
def use_it(on: Working) -> Response:
    """Let crews use what was set up."""
    workshop = on.visit.desk.workshop
    attempt = workshop.attempt(on.draft)
    if attempt is None or attempt.state != "ready" or attempt.mark != on.draft.mark:
        raise WebError(HTTPStatus.CONFLICT, "not-tried", _OLD)
    try:
        known = use(on.draft, workshop.machines, on.visit.home.sites, by=on.visit.by)
    except (UsageError, BrokenFileError) as error:
        page = setup_page(on, _told(on, error))
        return render(on.visit, "setup.html", page, HTTPStatus.CONFLICT)
    workshop.drafts.drop(on.draft.id)
    workshop.forget(on.draft.id)
    return on.visit.done(f"/machines?used={known.id}")


def _require_free(on: Bench) -> None:
    if on.fixed:
        raise WebError(HTTPStatus.CONFLICT, "fixed", _FIXED)


def _told(on: Bench, error: UsageError | BrokenFileError) -> str:
    """Return what stands in the way; what a rule of the file says stays English."""
    if isinstance(error, BrokenFileError):
        said = on.visit.say("It breaks a rule and cannot be used as it is.")
        return f"{said} {error.rule} ({error.key})" if error.key else f"{said} {error.rule}"
    return on.visit.say("Something is still missing; see below.")
