"""The machines of one's stores: set up, copied, changed; their stickers to print."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path
from typing import Annotated

from fastapi import APIRouter, Form
from fastapi.responses import Response

from verify.domain import Machine, Shot, Text, View
from verify.errors import UsageError
from verify.rebuild.people import SETTING_UP
from verify.store.draft_edits import slug
from verify.store.drafts import Draft
from verify.web.pages import render
from verify.web.setup_build import machines_page
from verify.web.setup_pages import StickerPage
from verify.web.visit import CHECKED, Known, Visit, not_there

router = APIRouter()

Word = Annotated[str, Form(max_length=120)]
SIZES = (30, 45)  # mm, as on the sheet that the command line writes


@router.get("/machines")
def machines(visit: Known, used: str = "") -> Response:
    """Show the machines of this person's stores, and what is being set up."""
    return render(visit, "machines.html", machines_page(visit, used))


@router.post("/machines/new", dependencies=[CHECKED])
def new(visit: Known, store: Word, title: Word, number: Word = "") -> Response:
    """Begin to set up a machine."""
    visit.require(store, SETTING_UP)
    machine = Machine(_free_id(visit, title), _title(title), visit.desk.workshop.machines, ())
    return _begin(visit, Draft("", store, machine, number.strip(), "", visit.by))


@router.post("/machine/{machine_id}/copy", dependencies=[CHECKED])
def copy(
    visit: Known,
    machine_id: str,
    store: Word,
    title: Word,
    number: Word = "",
    with_shots: Annotated[bool, Form()] = False,
) -> Response:
    """Begin to set up another machine of the same kind."""
    source = visit.machine(machine_id, SETTING_UP)
    visit.require(store, SETTING_UP)
    taught = visit.desk.judges.machine(source.folder)
    views = tuple(_without_photo(view, with_shots) for view in taught.views)
    machine = Machine(_free_id(visit, title), _title(title), source.folder, views, taught.steps)
    draft = Draft("", store, machine, number.strip(), "", visit.by, source=source.id)
    return _begin(visit, draft, source.folder)


@router.post("/machine/{machine_id}/change", dependencies=[CHECKED])
def change(visit: Known, machine_id: str) -> Response:
    """Begin to change a machine; one that is begun goes on."""
    known = visit.machine(machine_id, SETTING_UP)
    for draft in visit.desk.workshop.drafts.listed([known.store]):
        if draft.changes and draft.source == known.id:
            return visit.done(f"/set-up/{draft.id}")
    machine = visit.desk.judges.machine(known.folder)
    draft = Draft(
        "", known.store, machine, known.number, "", visit.by, source=known.id, changes=True
    )
    return _begin(visit, draft, known.folder)


@router.get("/machine/{machine_id}/sticker")
def sticker(visit: Known, machine_id: str) -> Response:
    """Show the sticker of a machine, to be printed."""
    machine = visit.machine(machine_id, SETTING_UP)
    page = StickerPage(
        machine=machine.id,
        title=machine.title,
        number=machine.number,
        store=visit.home.sites.store(machine.store).name,
        marker="" if machine.marker is None else str(machine.marker),
        sizes=SIZES,
    )
    return render(visit, "sticker.html", page)


@router.post("/machine/{machine_id}/sticker", dependencies=[CHECKED])
def give_sticker(visit: Known, machine_id: str) -> Response:
    """Give a machine the next free sticker."""
    machine = visit.machine(machine_id, SETTING_UP)
    visit.home.sites.give_sticker(machine.id, by=visit.by)
    return visit.done(f"/machine/{machine.id}/sticker")


@router.get("/machine/{machine_id}/sticker.png")
def sticker_picture(visit: Known, machine_id: str) -> Response:
    """Show the marker of a machine's sticker, without its white margin."""
    from PIL import Image

    from verify.vision.markers import draw_marker

    marker = _marker(visit, machine_id)
    content = io.BytesIO()
    Image.fromarray(draw_marker(marker)).save(content, "PNG")
    return Response(content.getvalue(), media_type="image/png")


@router.get("/machine/{machine_id}/sticker.pdf")
def sticker_sheet(visit: Known, machine_id: str) -> Response:
    """Give the sticker at its true size as a PDF."""
    from verify.store.evidence.sticker import sticker_pdf

    _marker(visit, machine_id)
    content = sticker_pdf(visit.home.sites.machine(machine_id))
    headers = {"Content-Disposition": f'attachment; filename="sticker-{machine_id}.pdf"'}
    return Response(content, headers=headers, media_type="application/pdf")


def _marker(visit: Visit, machine_id: str) -> int:
    machine = visit.machine(machine_id, SETTING_UP)
    if machine.marker is None:
        raise not_there()
    return machine.marker


def _begin(visit: Visit, draft: Draft, pictures: Path | None = None) -> Response:
    kept = visit.desk.workshop.drafts.begin(draft, pictures)
    return visit.done(f"/set-up/{kept.id}")


def _title(title: str) -> Text:
    if not title.strip():
        raise UsageError("a machine needs a title")
    return Text({"": title.strip()})


def _free_id(visit: Visit, title: str) -> str:
    taken = {machine.id for machine in visit.home.sites.machines()}
    return slug(title, taken, "machine")


def _without_photo(view: View, with_shots: bool) -> View:
    """Return a view that waits for a photo of the other machine, its old one among the shots."""
    shots = (Shot(view.master), *view.shots) if with_shots else ()
    return replace(view, master="", shots=shots)
