"""The manager: flagged parts one after the other, and reference shots made of them."""

from __future__ import annotations

from http import HTTPStatus
from typing import Annotated

from fastapi import APIRouter, Form
from fastapi.responses import Response

from verify.errors import RefusedError, UsageError, VerifyError
from verify.rebuild.entries import ClearedAs, from_rfc3339
from verify.rebuild.people import ANSWERABLE
from verify.store.reviews import Flagged, Said
from verify.web import words
from verify.web.crew_build import view_of
from verify.web.errors import trouble_of
from verify.web.language import later
from verify.web.manager_pages import FlaggedPage, FlaggedPart, TeachPage
from verify.web.pages import render
from verify.web.teaching import add_shot, key_of
from verify.web.visit import CHECKED, Known, Visit, not_there

router = APIRouter()

_SAID = {
    Said.REAL: later("a real fault"),
    Said.FALSE_ALARM: later("a false alarm"),
    Said.CANNOT_SEE: later("cannot be seen"),
}
_REASON = later("Looked at beside the reference: it is right.")


@router.get("/flagged")
def flagged(visit: Known, last: str = "", after: str = "") -> Response:
    """Show the newest flagged part of which nothing was said, and what was said before."""
    stores = [site.id for site in visit.stores(*ANSWERABLE)]
    found = visit.home.reviews.flagged(stores)
    open_parts = [f for f in found if f.said is None]
    if after:  # pushed back for now: begin behind it
        behind = [n for n, f in enumerate(open_parts) if _name(f) == after]
        start = behind[0] + 1 if behind else 0
        open_parts = [*open_parts[start:], *open_parts[:start]]
    before = next((f for f in found if _name(f) == last and f.said is not None), None)
    decided = [f for f in found if f.said is not None][:20]
    page = FlaggedPage(
        now=_part(visit, open_parts[0]) if open_parts else None,
        left=len(open_parts),
        last=_part(visit, before) if before else None,
        decided=tuple(_part(visit, f) for f in decided),
    )
    return render(visit, "flagged.html", page)


@router.post("/rebuild/{rebuild_id}/photo/{number}/part/{part_id}/said", dependencies=[CHECKED])
def say(
    visit: Known,
    rebuild_id: str,
    number: int,
    part_id: str,
    said: Annotated[Said, Form()],
    state: Annotated[str, Form(max_length=64)] = "",
) -> Response:
    """Write down what a manager sees; a false alarm lifts the hold, where that is allowed."""
    found = _find(visit, rebuild_id, number, part_id)
    visit.home.reviews.say(found, said, state=state or None, by=visit.by)
    if said is Said.FALSE_ALARM:
        _lift(visit, found)
    return visit.done(f"/flagged?last={_name(found)}")


@router.get("/rebuild/{rebuild_id}/photo/{number}/part/{part_id}/teach")
def show_trial(visit: Known, rebuild_id: str, number: int, part_id: str) -> Response:
    """Show how the trial of a new reference shot goes."""
    found = _find(visit, rebuild_id, number, part_id)
    trial = visit.desk.trials.get(key_of(found))
    return render(visit, "teach.html", TeachPage(_part(visit, found), trial, ""))


@router.post("/rebuild/{rebuild_id}/photo/{number}/part/{part_id}/teach", dependencies=[CHECKED])
def start_trial(visit: Known, rebuild_id: str, number: int, part_id: str) -> Response:
    """Try a new reference shot on all labelled photos."""
    found = _find(visit, rebuild_id, number, part_id)
    folder = visit.home.sites.machine(found.machine).folder
    labelled = visit.home.reviews.flagged([found.store], machine=found.machine)
    visit.desk.trials.start(found, folder, labelled, visit.home.pictures)
    return visit.done(f"/rebuild/{rebuild_id}/photo/{number}/part/{part_id}/teach")


@router.post(
    "/rebuild/{rebuild_id}/photo/{number}/part/{part_id}/teach/use", dependencies=[CHECKED]
)
def use_shot(visit: Known, rebuild_id: str, number: int, part_id: str) -> Response:
    """Use the new reference shot from now on."""
    found = _find(visit, rebuild_id, number, part_id)
    trial = visit.desk.trials.get(key_of(found))
    page_url = f"/rebuild/{rebuild_id}/photo/{number}/part/{part_id}/teach"
    if trial is None or trial.state != "ready":
        return visit.done(page_url)
    folder = visit.home.sites.machine(found.machine).folder
    try:
        add_shot(folder, found, visit.home.pictures)
    except VerifyError as error:
        told = trouble_of(error, visit.language).message
        page = TeachPage(_part(visit, found), trial, told)
        return render(visit, "teach.html", page, HTTPStatus.CONFLICT)
    visit.home.reviews.note_taught(found, by=visit.by)
    visit.desk.trials.used(key_of(found))
    return visit.done(page_url)


def _find(visit: Visit, rebuild_id: str, number: int, part_id: str) -> Flagged:
    visit.rebuild(rebuild_id, ANSWERABLE)
    try:
        return visit.home.reviews.one(rebuild_id, number, part_id)
    except UsageError:
        raise not_there() from None


def _lift(visit: Visit, found: Flagged) -> None:
    """Lift the hold of a part; where the rules forbid that, it stays, and the page says so."""
    hold = f"{found.entry}/{found.part}"
    current = visit.home.rebuilds.get(found.rebuild).hold(hold)
    if current is None or current.cleared is not None:
        return
    try:
        visit.home.rebuilds.clear(
            found.rebuild, hold, ClearedAs.FALSE_ALARM, visit.say(_REASON), by=visit.by
        )
    except RefusedError:
        return


def _name(flagged: Flagged) -> str:
    return f"{flagged.rebuild}.{flagged.entry}.{flagged.part}"


def _part(visit: Visit, found: Flagged) -> FlaggedPart:
    language = visit.language
    machine = visit.home.sites.machine(found.machine)
    site = visit.home.sites.store(found.store)
    view = view_of(visit, machine, found.view)
    names = {p.id: p.name for p in visit.home.people.everybody()}
    drawn = next((p for p in view.parts if p.id == found.part), None) if view else None
    base = f"/rebuild/{found.rebuild}/photo/{found.entry}"
    likely = found.state or found.finding["found"]
    states = [f.state for f in drawn.faults] if drawn else []
    states.sort(key=lambda state: state != likely)
    hold = visit.home.rebuilds.get(found.rebuild).hold(f"{found.entry}/{found.part}")
    said = _SAID[found.said] if found.said else ""
    return FlaggedPart(
        rebuild=found.rebuild,
        entry=found.entry,
        id=found.part,
        machine=machine.title,
        store=site.name,
        title=words.title_of(view, found.part, language),
        message=words.finding(found.finding, view, language),
        measured=words.measured(found.finding, language),
        when=language.moment(from_rfc3339(found.at), site.zone),
        by=names.get(found.by, found.by),
        part=f"{base}/part/{found.part}.jpg" if drawn and found.finding["outline"] else "",
        reference=f"/machine/{machine.id}/view/{found.view}/part/{found.part}.jpg" if drawn else "",
        photo=f"{base}/marked.jpg",
        said=language.say(said) if said else "",
        said_by=names.get(found.said_by or "", ""),
        state=words.spoken_state(found.state, language) if found.state else "",
        states=tuple((state, words.spoken_state(state, language)) for state in states),
        held=hold is not None and hold.cleared is None,
    )
