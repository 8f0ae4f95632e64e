"""One view of a machine that is being set up: its photo, its outlines, the words of its parts."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from functools import partial
from http import HTTPStatus
from typing import Annotated, Any

from anyio import to_thread
from fastapi import APIRouter, File, Form, UploadFile
from fastapi.responses import JSONResponse, Response

from verify.domain import Outline
from verify.errors import PhotoError
from verify.store import draft_edits, outlines
from verify.store.draft_edits import Drawn
from verify.store.drafts import Draft
from verify.web.errors import WebError, reason
from verify.web.language import later
from verify.web.pages import render
from verify.web.setup_build import Bench, Working, draw_page, drawing, mark_of
from verify.web.setup_numbers import BODY, NEW, Numbers, all_numbers, outline_of
from verify.web.setup_photos import kept_photo, laid_over
from verify.web.setup_words import flaw_words
from verify.web.visit import CHECKED

router = APIRouter()

Word = Annotated[str, Form(max_length=200)]
Number = Annotated[str, Form(max_length=32)]
_MOST = 60_000  # characters of a drawing
_ELSEWHERE = later(
    "This view was changed in another window. Load the page again; what you drew since is lost."
)
_NO_DRAWING = later("This drawing cannot be read. Load the page again.")


@router.get("/set-up/{draft_id}/view/{view_id}")
def show(on: Working, view_id: str, numbers: str = "") -> Response:
    """Show a view with its outlines, to be drawn; or the numbers of one, to be typed anew."""
    view = on.view(view_id)
    found = all_numbers(on.draft, view, on.visit.language.code)
    typed = next((one for one in found if one.target == numbers), None)
    if numbers == NEW:
        typed = Numbers(NEW)
    return render(on.visit, "draw.html", draw_page(on, view, typed=typed))


@router.post("/set-up/{draft_id}/view/{view_id}/photo", dependencies=[CHECKED])
async def photo(
    on: Working, view_id: str, picture: Annotated[UploadFile | None, File()] = None
) -> Response:
    """Take the photo that a view is drawn on; outlines of a known machine are laid over it."""
    work = partial(_take, on, view_id, picture)
    return await to_thread.run_sync(work, limiter=on.visit.desk.photo_places)


def _take(on: Bench, view_id: str, picture: UploadFile | None) -> Response:
    view = on.view(view_id)
    try:
        file, size = kept_photo(on, view_id, picture)
        laid, unsure = laid_over(on, view, file, size)
    except PhotoError as error:
        why = reason(error, on.visit.language)
        problem = on.visit.say("This photo cannot be used: %(why)s", why=why)
        return render(on.visit, "draw.html", draw_page(on, view, problem), HTTPStatus.BAD_REQUEST)

    def change(draft: Draft) -> Draft:
        after = draft_edits.set_master(draft, view_id, file, size, laid=laid)
        return replace(after, unsure={**after.unsure, view_id: unsure})

    on.change(change)
    return on.visit.done(on.view_url(view_id))


@router.post("/set-up/{draft_id}/view/{view_id}/words", dependencies=[CHECKED])
def words(on: Working, view_id: str, title: Word = "", ask: Word = "") -> Response:
    """Say anew what a view is called and what crews are asked for."""
    on.view(view_id)
    code = on.visit.language.code

    def change(draft: Draft) -> Draft:
        view = draft.view(view_id)
        if title.strip() and title.strip() != view.title.get(code):
            view = replace(view, title=draft_edits.said(view.title, title.strip(), code))
        if ask.strip() and ask.strip() != view.ask.get(code):
            view = replace(view, ask=draft_edits.said(view.ask, ask.strip(), code))
        return draft.with_view(view)

    on.change(change)
    return on.visit.done(on.view_url(view_id))


@router.post("/set-up/{draft_id}/view/{view_id}/drawing", dependencies=[CHECKED])
def draw(
    on: Working,
    view_id: str,
    drawing_: Annotated[str, Form(alias="drawing", max_length=_MOST)] = "",
) -> Response:
    """Keep what is drawn; the script sends it after every stroke."""
    view = on.view(view_id)
    code = on.visit.language.code
    plain = _read(drawing_)
    size = view.size
    body = _outline(plain["body"], size) if plain.get("body") else None
    parts = [_drawn(one, size) for one in plain["parts"]]
    _require_sound(on, body, parts)

    def change(draft: Draft) -> Draft:
        if mark_of(draft.view(view_id)) != plain.get("mark"):
            raise WebError(HTTPStatus.CONFLICT, "elsewhere", _ELSEWHERE)
        return draft_edits.draw(draft, view_id, body, parts, code)

    after = on.change(change)
    return JSONResponse(drawing(after, after.view(view_id), code))


@router.post("/set-up/{draft_id}/view/{view_id}/box", dependencies=[CHECKED])
def type_box(
    on: Working,
    view_id: str,
    target: Annotated[str, Form(max_length=64)] = NEW,
    shape: Annotated[str, Form(max_length=16)] = "rectangle",
    left: Number = "",
    top: Number = "",
    width: Number = "",
    height: Number = "",
    corners: Annotated[str, Form(max_length=_MOST)] = "",
    title: Word = "",
) -> Response:
    """Draw by numbers, for whoever cannot draw with a finger or has no script."""
    view = on.view(view_id)
    code = on.visit.language.code
    typed = Numbers(target, title, shape, left, top, width, height, corners)
    outline = outline_of(typed, view.size)
    told = "" if outline is not None else on.visit.say("Type numbers, such as 412 or 412.5.")
    if outline is not None and (flaw := outlines.flaw_of(outline)):
        old = next((p.title.get(code) for p in view.parts if p.id == target), "")
        name = on.visit.say("the body") if target == BODY else on.visit.say("a new part")
        told = flaw_words(flaw, title.strip() or old or name, on.visit.language)
    if outline is None or told:
        page = draw_page(on, view, told, typed)
        return render(on.visit, "draw.html", page, HTTPStatus.BAD_REQUEST)

    def change(draft: Draft) -> Draft:
        now = draft.view(view_id)
        kept = [
            Drawn(p.id, "", p.outline, draft.shapes.get(f"{view_id}/{p.id}", "polygon"))
            for p in now.parts
        ]
        if target == NEW:
            kept.append(Drawn("", title, outline, shape))
        kept = [Drawn(d.id, title, outline, shape) if d.id == target else d for d in kept]
        body = outline if target == BODY else now.body
        return draft_edits.draw(draft, view_id, body, kept, code)

    on.change(change)
    return on.visit.done(f"{on.view_url(view_id)}?numbers={NEW}#numbers")


@router.post("/set-up/{draft_id}/view/{view_id}/checked", dependencies=[CHECKED])
def checked(on: Working, view_id: str) -> Response:
    """Say that the outlines which the tool laid are right."""
    on.view(view_id)
    on.change(lambda draft: replace(draft, to_check=draft.to_check - {view_id}))
    return on.visit.done(on.view_url(view_id))


def _read(text: str) -> dict[str, Any]:
    try:
        plain = json.loads(text)
        sound = isinstance(plain["parts"], list) and len(plain["parts"]) <= draft_edits.MOST_PARTS
    except (ValueError, KeyError, TypeError):
        sound = False
    if not sound:
        raise WebError(HTTPStatus.BAD_REQUEST, "no-drawing", _NO_DRAWING)
    return dict(plain)


def _drawn(one: Any, size: tuple[int, int]) -> Drawn:
    try:
        texts = [str(one.get(key) or "")[:200] for key in ("id", "title", "shape", "like")]
        return Drawn(texts[0], texts[1], _outline(one["outline"], size), texts[2], texts[3])
    except (KeyError, AttributeError):
        raise WebError(HTTPStatus.BAD_REQUEST, "no-drawing", _NO_DRAWING) from None


def _outline(corners: Any, size: tuple[int, int]) -> Outline:
    try:
        points = [(float(x), float(y)) for x, y in corners]
    except (TypeError, ValueError):
        points = [(math.nan, math.nan)]
    if not all(math.isfinite(x) and math.isfinite(y) for x, y in points):
        raise WebError(HTTPStatus.BAD_REQUEST, "no-drawing", _NO_DRAWING)
    return outlines.inside(points, size)


def _require_sound(on: Bench, body: Outline | None, parts: list[Drawn]) -> None:
    """Refuse outlines that cannot be one, and say which.

    Raises:
        WebError: names the part.
    """
    named = [(on.visit.say("the body"), body)] if body else []
    for title, outline in (*named, *((part.title, part.outline) for part in parts)):
        if flaw := outlines.flaw_of(outline):
            told = flaw_words(flaw, title, on.visit.language)
            raise WebError(HTTPStatus.BAD_REQUEST, flaw.value, told)
