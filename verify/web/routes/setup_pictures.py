"""The pictures of machines that are being set up, for whoever may set them up."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from http import HTTPStatus

from fastapi import APIRouter
from fastapi.responses import Response

from verify.errors import PhotoError
from verify.web import images
from verify.web.errors import WebError
from verify.web.language import later
from verify.web.routes.setup_part import part_of
from verify.web.setup_build import Bench, Working
from verify.web.visit import not_there

router = APIRouter()

_SIDE = 1600  # of the picture that is drawn on, in pixels
_SMALL = 700
_HEADERS = {"Cache-Control": "private, max-age=600"}
_drawn = images.Drawn(120)


@router.get("/set-up/{draft_id}/view/{view_id}/part/{part_id}.jpg")
def part_picture(on: Working, view_id: str, part_id: str) -> Response:
    """Show a part as it is drawn on the master."""
    view = on.view(view_id)
    part = part_of(view, part_id)
    size = images.length_of(part.outline)
    return _jpeg(
        ("part", on.draft.id, view.master, part.outline),
        lambda: images.cut(_content(on, view.master), part.outline, size),
    )


@router.get("/set-up/{draft_id}/view/{view_id}/master.jpg")
def master(on: Working, view_id: str) -> Response:
    """Show the photo that a view is drawn on."""
    file = on.view(view_id).master
    return _jpeg(("master", on.draft.id, file), lambda: images.shown(_content(on, file), _SIDE))


@router.get("/set-up/{draft_id}/view/{view_id}/shot/{number}.jpg")
def shot(on: Working, view_id: str, number: int) -> Response:
    """Show a reference shot."""
    shots = on.view(view_id).shots
    if not 0 <= number < len(shots):
        raise not_there()
    file = shots[number].file
    return _jpeg(("shot", on.draft.id, file), lambda: images.shown(_content(on, file), _SMALL))


def _content(on: Bench, file: str) -> bytes:
    try:
        return (on.draft.machine.folder / file).read_bytes() if file else b""
    except OSError:
        return b""


def _jpeg(key: Hashable, draw: Callable[[], bytes]) -> Response:
    try:
        content = _drawn.get(key, draw)
    except PhotoError:
        text = later("This file cannot be shown as a picture.")
        raise WebError(HTTPStatus.NOT_FOUND, "no-picture", text) from None
    return Response(content, headers=_HEADERS, media_type="image/jpeg")
