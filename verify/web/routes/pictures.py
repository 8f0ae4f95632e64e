"""Pictures, each only for people of the store that it belongs to."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from http import HTTPStatus
from pathlib import Path

from fastapi import APIRouter
from fastapi.responses import Response

from verify.domain import View
from verify.errors import PhotoError, RecordBrokenError
from verify.rebuild.entries import Action, Entry
from verify.result_json import result_from_json
from verify.store.sites import KnownMachine
from verify.web import images
from verify.web.crew_build import view_of
from verify.web.errors import WebError
from verify.web.language import later
from verify.web.visit import Known, Visit, not_there

router = APIRouter()

_SIDE = 1200
_HEADERS = {"Cache-Control": "private, max-age=600"}
_drawn = images.Drawn()


@router.get("/machine/{machine_id}/view/{view_id}/master.jpg")
def master(visit: Known, machine_id: str, view_id: str) -> Response:
    """Show the master of a view."""
    machine = visit.machine(machine_id)
    view = _view(visit, machine, view_id)
    return _file(machine.folder / view.master)


@router.get("/machine/{machine_id}/view/{view_id}/shot/{number}.jpg")
def shot(visit: Known, machine_id: str, view_id: str, number: int) -> Response:
    """Show a reference shot."""
    machine = visit.machine(machine_id)
    shots = _view(visit, machine, view_id).shots
    if not 0 <= number < len(shots):
        raise not_there()
    return _file(machine.folder / shots[number].file)


@router.get("/rebuild/{rebuild_id}/photo/{number}/small.jpg")
def small(visit: Known, rebuild_id: str, number: int) -> Response:
    """Show a photo without marks."""
    entry, _ = _photo(visit, rebuild_id, number)
    digest = entry.data["sha256"]
    return _jpeg(("small", digest), lambda: images.shown(_content(visit, digest), _SIDE))


@router.get("/rebuild/{rebuild_id}/photo/{number}/marked.jpg")
def marked(visit: Known, rebuild_id: str, number: int) -> Response:
    """Show a photo with its parts drawn on it, as they were found then."""
    entry, view = _photo(visit, rebuild_id, number)
    digest, code = entry.data["sha256"], visit.language.code
    result = result_from_json(entry.data["result"])

    def draw() -> bytes:
        return images.marked(_content(visit, digest), result, view, _SIDE, code)

    return _jpeg(("marked", rebuild_id, number, code), draw)


@router.get("/rebuild/{rebuild_id}/photo/{number}/part/{part_id}.jpg")
def part(visit: Known, rebuild_id: str, number: int, part_id: str) -> Response:
    """Show one part of a photo, laid as it lies in the master."""
    entry, view = _photo(visit, rebuild_id, number)
    drawn = next((p for p in view.parts if p.id == part_id), None) if view else None
    found = next((p for p in entry.data["result"]["parts"] if p["id"] == part_id), None)
    if drawn is None or found is None or not found["outline"]:
        raise not_there()
    outline = tuple((float(x), float(y)) for x, y in found["outline"])
    size = images.length_of(drawn.outline)
    digest = entry.data["sha256"]

    def draw() -> bytes:
        return images.beside(_content(visit, digest), outline, drawn.outline, size)

    return _jpeg(("part", rebuild_id, number, part_id, drawn.outline), draw)


@router.get("/machine/{machine_id}/view/{view_id}/part/{part_id}.jpg")
def reference(visit: Known, machine_id: str, view_id: str, part_id: str) -> Response:
    """Show one part as it is in the master."""
    machine = visit.machine(machine_id)
    view = _view(visit, machine, view_id)
    drawn = next((p for p in view.parts if p.id == part_id), None)
    if drawn is None:
        raise not_there()
    path, size = machine.folder / view.master, images.length_of(drawn.outline)
    key = ("reference", str(path), path.stat().st_mtime_ns, drawn.outline)
    return _jpeg(key, lambda: images.cut(path.read_bytes(), drawn.outline, size))


def _photo(visit: Visit, rebuild_id: str, number: int) -> tuple[Entry, View | None]:
    """Return the entry of a photo in a rebuild of this person's stores, and the view it shows.

    Raises:
        WebError: there is none, or it is none of this person's business.
    """
    rebuild = visit.rebuild(rebuild_id)
    entries = visit.home.rebuilds.entries(rebuild_id).entries
    if not 1 <= number <= len(entries) or entries[number - 1].kind != Action.PHOTO:
        raise not_there()
    entry = entries[number - 1]
    machine = visit.home.sites.machine(rebuild.machine)
    return entry, view_of(visit, machine, entry.data["result"]["view"])


def _view(visit: Visit, machine: KnownMachine, view_id: str) -> View:
    view = view_of(visit, machine, view_id)
    if view is None:
        raise not_there()
    return view


def _content(visit: Visit, digest: str) -> bytes:
    try:
        return visit.home.pictures.get(digest)
    except RecordBrokenError:
        text = later("This picture is gone or was changed. Have the record looked at.")
        raise WebError(HTTPStatus.INTERNAL_SERVER_ERROR, "picture", text) from None


def _file(path: Path) -> Response:
    key = ("file", str(path), path.stat().st_mtime_ns)
    return _jpeg(key, lambda: images.shown(path.read_bytes(), _SIDE))


def _jpeg(key: Hashable, draw: Callable[[], bytes]) -> Response:
    try:
        content = _drawn.get(key, draw)
    except PhotoError:
        text = later("This file cannot be shown as a picture.")
        raise WebError(HTTPStatus.UNSUPPORTED_MEDIA_TYPE, "no-picture", text) from None
    return Response(content, headers=_HEADERS, media_type="image/jpeg")
