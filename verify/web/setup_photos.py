"""Photos that set up a machine: read, kept, and known outlines laid over them."""

from __future__ import annotations

import logging
from dataclasses import replace
from http import HTTPStatus
from pathlib import Path
from typing import TYPE_CHECKING

from fastapi import UploadFile

from verify.domain import Outline, View
from verify.errors import VerifyError
from verify.rebuild.people import SETTING_UP
from verify.store import outlines
from verify.web.errors import WebError
from verify.web.language import later
from verify.web.setup_build import Bench

if TYPE_CHECKING:
    from verify.vision.carry import Carried

log = logging.getLogger("verify.web")

_ENDINGS = {"jpeg": ".jpg", "png": ".png", "webp": ".webp", "heif": ".heic", "avif": ".avif"}
_NO_PHOTO = later("Take or choose a photo first.")


def kept_photo(on: Bench, view_id: str, picture: UploadFile | None) -> tuple[str, tuple[int, int]]:
    """Keep a photo in a draft; return its name, and its width and height upright in pixels.

    Raises:
        WebError: nothing was sent.
        PhotoError: it cannot be read, or is too small.
    """
    from verify.vision.read import read_content

    content = picture.file.read() if picture is not None else b""
    if not content:
        raise WebError(HTTPStatus.BAD_REQUEST, "no-photo", _NO_PHOTO)
    photo = read_content(content, Path("photo"), max_side=400)
    ending = _ENDINGS[photo.format.value]
    drafts = on.visit.desk.workshop.drafts
    return drafts.put_picture(on.draft.id, view_id, content, ending), photo.full_size


def laid_over(
    on: Bench, view: View, file: str, size: tuple[int, int]
) -> tuple[View | None, tuple[str, ...]]:
    """Return a view with its outlines laid over a new photo, and the parts to look at first.

    Where the machine that is copied cannot be found in the photo, or is gone, the outlines lie
    as they lay, in proportion, and all are to be looked at. A view without any gets none: None.
    """
    if view.master == file or not (view.parts or view.body):
        return None, ()
    carried = _carried(on, view, file)
    unsure = [part.id for part in view.parts] if carried is None else list(carried.unsure)
    parts = []
    for part in view.parts:
        rough = outlines.inside(_scaled(part.outline, view.size, size), size)
        laid = carried.parts.get(part.id) if carried else None
        outline = outlines.inside(laid, size) if laid else rough
        if not laid or outlines.flaw_of(outline):  # or most of it lay beyond the photo
            outline = rough
            unsure.append(part.id)
        parts.append(replace(part, outline=outline))
    body = carried.body if carried else view.body and _scaled(view.body, view.size, size)
    body = outlines.inside(body, size) if body else None
    if body is not None and outlines.flaw_of(body):
        body = None
    mm_per_px = carried.mm_per_px if carried else None
    laid_view = replace(view, parts=tuple(parts), body=body, mm_per_px=mm_per_px)
    return laid_view, tuple(dict.fromkeys(unsure))


def _carried(on: Bench, view: View, file: str) -> Carried | None:
    """Return what the tool lays with the machine that is copied; None where that cannot be."""
    if on.draft.source is None:
        return None
    try:
        source = on.visit.machine(on.draft.source, SETTING_UP)
        taught = on.visit.desk.judges.machine(source.folder)
        taught.view(view.id)
        photo = on.draft.machine.folder / file
        return on.visit.desk.workshop.tools.carry(taught, view.id, photo)
    except (VerifyError, KeyError) as error:
        log.warning("outlines of %s were not carried over: %s", on.draft.source, error)
        return None


def _scaled(outline: Outline, old: tuple[int, int], new: tuple[int, int]) -> Outline:
    """Return an outline that lies in a picture as it lay in one of another size."""
    across, down = new[0] / old[0], new[1] / old[1]
    return tuple(((x + 0.5) * across - 0.5, (y + 0.5) * down - 0.5) for x, y in outline)
