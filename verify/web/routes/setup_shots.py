"""More reference shots of a view: all parts right, or which part shows which fault."""

from __future__ import annotations

from functools import partial
from http import HTTPStatus
from typing import Annotated

from anyio import to_thread
from fastapi import APIRouter, File, Form, Request, UploadFile
from fastapi.responses import Response

from verify.errors import PhotoError, UsageError
from verify.store import draft_edits
from verify.web.errors import WebError, reason
from verify.web.language import later
from verify.web.pages import render
from verify.web.setup_build import Bench, Working
from verify.web.setup_photos import kept_photo
from verify.web.setup_shots_build import NOBODY, RIGHT, shots_page
from verify.web.visit import CHECKED, not_there

router = APIRouter()

Name = Annotated[str, Form(max_length=200)]
_AGAIN = later("The shots were changed in another window. Load the page again.")


@router.get("/set-up/{draft_id}/view/{view_id}/shots")
def shots(on: Working, view_id: str, opened: str = "") -> Response:
    """Show the reference shots of a view."""
    return render(on.visit, "shots.html", shots_page(on, on.view(view_id), opened))


@router.post("/set-up/{draft_id}/view/{view_id}/shots/photo", dependencies=[CHECKED])
async def add(
    on: Working, view_id: str, picture: Annotated[UploadFile | None, File()] = None
) -> Response:
    """Add a shot; what it shows is said next."""
    work = partial(_add, on, view_id, picture)
    return await to_thread.run_sync(work, limiter=on.visit.desk.photo_places)


def _add(on: Bench, view_id: str, picture: UploadFile | None) -> Response:
    view = on.view(view_id)
    try:
        file, _ = kept_photo(on, view_id, picture)
        on.change(lambda draft: draft_edits.add_shot(draft, view_id, file))
    except (PhotoError, UsageError) as error:
        why = reason(error, on.visit.language)
        problem = on.visit.say("This photo cannot be used: %(why)s", why=why)
        page = shots_page(on, view, problem=problem)
        return render(on.visit, "shots.html", page, HTTPStatus.BAD_REQUEST)
    return on.visit.done(f"{on.view_url(view_id)}/shots?opened={file}#opened")


@router.post("/set-up/{draft_id}/view/{view_id}/shot/{number}", dependencies=[CHECKED])
async def say(on: Working, view_id: str, number: int, request: Request) -> Response:
    """Say what a shot shows: a field ``of-PART`` for each part."""
    form = await request.form(max_files=1, max_fields=200)
    work = partial(_say, on, view_id, number, {k: v for k, v in form.items() if isinstance(v, str)})
    return await to_thread.run_sync(work)


def _say(on: Bench, view_id: str, number: int, form: dict[str, str]) -> Response:
    view = on.view(view_id)
    file = _file(on, view_id, number, form.get("file", ""))
    states: dict[str, str] = {}
    unlabelled = []
    for part in view.parts:
        value = form.get(f"of-{part.id}", RIGHT)
        if value == NOBODY:
            unlabelled.append(part.id)
        elif part.fault(value) is not None:
            states[part.id] = value
    on.change(lambda draft: draft_edits.set_shot(draft, view_id, file, states, unlabelled))
    return on.visit.done(f"{on.view_url(view_id)}/shots")


@router.post("/set-up/{draft_id}/view/{view_id}/shot/{number}/drop", dependencies=[CHECKED])
def take_out(on: Working, view_id: str, number: int, file: Name = "") -> Response:
    """Take a shot out of a view."""
    name = _file(on, view_id, number, file)
    on.change(lambda draft: draft_edits.drop_shot(draft, view_id, name))
    return on.visit.done(f"{on.view_url(view_id)}/shots")


def _file(on: Bench, view_id: str, number: int, said: str) -> str:
    """Return the file of a shot, if it is still the one that the form was about."""
    shots = on.view(view_id).shots
    if not 0 <= number < len(shots):
        raise not_there()
    if said != shots[number].file:
        raise WebError(HTTPStatus.CONFLICT, "elsewhere", _AGAIN)
    return shots[number].file
