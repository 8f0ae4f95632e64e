"""The crew: tonight's machines, one rebuild, one step after the other."""

from __future__ import annotations

import dataclasses
import tempfile
from functools import partial
from http import HTTPStatus
from pathlib import Path
from typing import Annotated

from anyio import to_thread
from fastapi import APIRouter, File, Form, UploadFile
from fastapi.responses import Response

from verify.domain import Result
from verify.errors import UsageError
from verify.rebuild.notices import waits_for
from verify.rebuild.people import ANSWERABLE
from verify.rebuild.replay import Standing
from verify.rebuild.states import State
from verify.store.rebuilds import Rebuilds
from verify.web.crew_build import (
    machine_card,
    next_to_do,
    rebuild_page,
    step_page,
    step_url,
)
from verify.web.crew_pages import TonightPage
from verify.web.deputies import standing_in
from verify.web.errors import WebError
from verify.web.language import later
from verify.web.messages.told import told_lines
from verify.web.pages import render
from verify.web.visit import CHECKED, Known, Visit, not_there

router = APIRouter()

Text = Annotated[str, Form(max_length=2000)]
Key = Annotated[str, Form(min_length=8, max_length=64)]


@router.get("/")
def tonight(visit: Known) -> Response:
    """Show all machines of this person's stores."""
    sites = {site.id: site for site in visit.stores()}
    cards = []
    for machine in visit.home.sites.machines():
        if machine.store in sites:
            newest = visit.home.rebuilds.listed(machine=machine.id, limit=1)
            site = sites[machine.store]
            cards.append(machine_card(visit, machine, site.name, newest[0] if newest else None))
    answerable = [s.id for s in visit.stores(*ANSWERABLE)]
    waiting = [
        listed
        for store in answerable
        for listed in visit.home.rebuilds.listed(store=store, states=[State.HANDED_IN])
    ]
    flagged = visit.home.reviews.flagged(answerable) if answerable else []
    undecided = sum(f.said is None for f in flagged)
    page = TonightPage(tuple(cards), len(waiting), undecided, standing_in(visit))
    return render(visit, "tonight.html", page)


@router.post("/machine/{machine_id}/start", dependencies=[CHECKED])
def start(visit: Known, machine_id: str) -> Response:
    """Start a rebuild and go to its first step."""
    visit.machine(machine_id)
    rebuild = visit.home.rebuilds.start(machine_id, by=visit.by)
    first = next_to_do(rebuild)
    return visit.done(step_url(rebuild.id, first.step.id) if first else f"/rebuild/{rebuild.id}")


@router.get("/rebuild/{rebuild_id}")
def show_rebuild(visit: Known, rebuild_id: str) -> Response:
    """Show where a rebuild stands."""
    rebuild = visit.rebuild(rebuild_id)
    page = rebuild_page(visit, rebuild)
    if waits_for(rebuild.state, to_countersign=False):
        told = told_lines(visit, {rebuild.id: rebuild.store})
        page = dataclasses.replace(page, waits=True, told=tuple(told.get(rebuild.id, ())))
    return render(visit, "rebuild.html", page)


@router.get("/rebuild/{rebuild_id}/step/{step_id}")
def show_step(visit: Known, rebuild_id: str, step_id: str) -> Response:
    """Show one step."""
    rebuild = visit.rebuild(rebuild_id)
    try:
        state = rebuild.step(step_id)
    except KeyError:
        raise not_there() from None
    return render(visit, "step.html", step_page(visit, rebuild, state))


@router.post("/rebuild/{rebuild_id}/step/{step_id}/photo", dependencies=[CHECKED])
async def photo(
    visit: Known,
    rebuild_id: str,
    step_id: str,
    picture: Annotated[UploadFile, File()],
    key: Key,
) -> Response:
    """Take the photo of a step, judge it, and show what was found.

    While others are judged it waits without a thread, so that pages still come at once, and
    before it is decoded, so that memory stays bounded.
    """
    work = partial(_judge_photo, visit, rebuild_id, step_id, picture, key)
    return await to_thread.run_sync(work, limiter=visit.desk.photo_places)


def _judge_photo(
    visit: Visit, rebuild_id: str, step_id: str, picture: UploadFile, key: str
) -> Response:
    rebuild = visit.rebuild(rebuild_id)
    folder = visit.home.sites.machine(rebuild.machine).folder
    judges = visit.desk.judges

    def judge(path: Path, view: str) -> Result:
        return judges.judge(folder, path, view)

    if not picture.size:
        raise WebError(HTTPStatus.BAD_REQUEST, "no-photo", later("Take or choose a photo first."))
    with tempfile.TemporaryDirectory() as place:
        # The name that the phone gave is not used: it is somebody else's word.
        path = Path(place) / "photo"
        with path.open("wb") as kept:
            while part := picture.file.read(1 << 20):
                kept.write(part)
        _sending(visit, key).photo(rebuild_id, step_id, path, by=visit.by, judge=judge)
    return visit.done(step_url(rebuild_id, step_id) + "#answer")


@router.post("/rebuild/{rebuild_id}/step/{step_id}/answer", dependencies=[CHECKED])
def answer(
    visit: Known,
    rebuild_id: str,
    step_id: str,
    yes: Annotated[bool, Form()],
    key: Key,
    note: Text = "",
) -> Response:
    """Answer a hand check."""
    visit.rebuild(rebuild_id)
    _sending(visit, key).answer(rebuild_id, step_id, yes=yes, note=note, by=visit.by)
    return _onward(visit, rebuild_id, step_id)


@router.post("/rebuild/{rebuild_id}/step/{step_id}/reading", dependencies=[CHECKED])
def reading(
    visit: Known,
    rebuild_id: str,
    step_id: str,
    value: Annotated[str, Form(max_length=20)],
    unit: Annotated[str, Form(max_length=10)],
    key: Key,
) -> Response:
    """Write down a reading."""
    visit.rebuild(rebuild_id)
    try:
        number = float(value.strip().replace(",", "."))
    except ValueError:
        text = later("That is no number. Type it in digits, such as 100 or 4.5.")
        raise WebError(HTTPStatus.BAD_REQUEST, "no-number", text) from None
    sent = _sending(visit, key)
    sent.reading(rebuild_id, step_id, number, unit=unit, by=visit.by)
    return _onward(visit, rebuild_id, step_id)


@router.post("/rebuild/{rebuild_id}/step/{step_id}/skip", dependencies=[CHECKED])
def skip(visit: Known, rebuild_id: str, step_id: str, reason: Text, key: Key) -> Response:
    """Leave a step to somebody else, with a note; it holds the machine."""
    visit.rebuild(rebuild_id)
    _sending(visit, key).skip(rebuild_id, step_id, reason, by=visit.by)
    return _onward(visit, rebuild_id, step_id, held_too=True)


@router.post("/rebuild/{rebuild_id}/step/{step_id}/acknowledge", dependencies=[CHECKED])
def acknowledge(visit: Known, rebuild_id: str, step_id: str, key: Key) -> Response:
    """Say that the cautions of a photo were read."""
    visit.rebuild(rebuild_id)
    _sending(visit, key).acknowledge(rebuild_id, step_id, by=visit.by)
    return _onward(visit, rebuild_id, step_id)


@router.post("/rebuild/{rebuild_id}/step/{step_id}/replace", dependencies=[CHECKED])
def replace(
    visit: Known, rebuild_id: str, step_id: str, item: Text, reason: Text, key: Key
) -> Response:
    """Write down that a part was replaced from the wear kit."""
    visit.rebuild(rebuild_id)
    _sending(visit, key).replace_part(rebuild_id, item, reason, by=visit.by)
    return visit.done(step_url(rebuild_id, step_id))


@router.post("/rebuild/{rebuild_id}/hand-in", dependencies=[CHECKED])
def hand_in(visit: Known, rebuild_id: str, key: Key) -> Response:
    """Hand a rebuild in."""
    visit.rebuild(rebuild_id)
    _sending(visit, key).hand_in(rebuild_id, by=visit.by)
    return visit.done(f"/rebuild/{rebuild_id}")


@router.post("/rebuild/{rebuild_id}/put-in-use", dependencies=[CHECKED])
def put_in_use(visit: Known, rebuild_id: str, key: Key) -> Response:
    """End start-up: product may be served."""
    rebuild = visit.rebuild(rebuild_id)
    _sending(visit, key).put_in_use(rebuild_id, by=visit.by)
    return visit.done(f"/board/{rebuild.machine}")


@router.post("/rebuild/{rebuild_id}/leak", dependencies=[CHECKED])
def leak(visit: Known, rebuild_id: str, where: Text, key: Key, step: Text = "") -> Response:
    """Report a leak: the machine stops."""
    visit.rebuild(rebuild_id)
    sent = _sending(visit, key)
    sent.leak(rebuild_id, where, step_id=step or None, by=visit.by)
    return visit.done(f"/rebuild/{rebuild_id}")


@router.post("/rebuild/{rebuild_id}/out-of-service", dependencies=[CHECKED])
def out_of_service(visit: Known, rebuild_id: str, reason: Text, key: Key) -> Response:
    """Take a machine out of service."""
    visit.rebuild(rebuild_id)
    _sending(visit, key).out_of_service(rebuild_id, reason, by=visit.by)
    return visit.done(f"/rebuild/{rebuild_id}")


def _sending(visit: Visit, key: str) -> Rebuilds:
    """Return the records for one thing that may come twice."""
    try:
        return visit.home.rebuilds.delivered(key)
    except UsageError as error:
        raise WebError(HTTPStatus.BAD_REQUEST, "key", str(error)) from None


def _onward(visit: Visit, rebuild_id: str, step_id: str, *, held_too: bool = False) -> Response:
    """Go to the next step when this one is done; stay where something is held."""
    rebuild = visit.home.rebuilds.get(rebuild_id)
    state = rebuild.step(step_id)
    if state.standing is not Standing.DONE and not held_too:
        return visit.done(step_url(rebuild_id, step_id) + "#answer")
    following = next_to_do(rebuild, step_id)
    return visit.done(
        step_url(rebuild_id, following.step.id) if following else f"/rebuild/{rebuild_id}"
    )
