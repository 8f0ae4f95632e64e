"""The supervisor, and the manager beside her: what waits, the evidence, the decision."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from http import HTTPStatus
from pathlib import Path
from typing import Annotated

from fastapi import APIRouter, Form
from fastapi.responses import Response

from verify.errors import RefusedError, UsageError
from verify.rebuild.entries import ClearedAs, from_rfc3339
from verify.rebuild.notices import Why, may_answer
from verify.rebuild.people import ANSWERABLE
from verify.rebuild.replay import Rebuild
from verify.store.rebuilds import Rebuilds
from verify.store.records import Listed
from verify.web import words
from verify.web.crew_build import TONES
from verify.web.crew_pages import Told
from verify.web.errors import WebError, reason
from verify.web.evidence_build import evidence_page
from verify.web.evidence_pages import Waiting, WaitingPage
from verify.web.language import later
from verify.web.messages.told import told_lines
from verify.web.pages import render
from verify.web.security import Session
from verify.web.visit import CHECKED, Known, Visit

router = APIRouter()

Text = Annotated[str, Form(max_length=2000)]
Key = Annotated[str, Form(min_length=8, max_length=64)]
Result = Annotated[ClearedAs, Form()]
Pin = Annotated[str, Form(max_length=128)]
Steps = Annotated[list[str] | None, Form(max_length=100)]


@router.get("/waiting")
def waiting(visit: Known) -> Response:
    """Show what waits in all stores of this person, the oldest first."""
    handed: list[Listed] = []
    others: list[Listed] = []
    for site in visit.stores(*ANSWERABLE):
        listed = visit.home.rebuilds.listed(store=site.id)
        handed += [r for r in listed if Why.RELEASE in r.waits_for]
        others += [r for r in listed if r.waits_for and Why.RELEASE not in r.waits_for]
    handed.sort(key=lambda r: r.handed_in_at or "")
    others.sort(key=lambda r: r.changed_at)
    told = told_lines(visit, {r.id: r.store for r in (*handed, *others)})
    page = WaitingPage(
        tuple(_waiting(visit, r, told) for r in handed),
        tuple(_waiting(visit, r, told) for r in others),
    )
    return render(visit, "waiting.html", page)


@router.get("/rebuild/{rebuild_id}/evidence")
def evidence(visit: Known, rebuild_id: str) -> Response:
    """Show everything about a rebuild on one page; deputies need not be told of it then."""
    rebuild = visit.rebuild(rebuild_id, ANSWERABLE)
    visit.home.messages.note_opened(rebuild_id, visit.by)
    return render(visit, "evidence.html", evidence_page(visit, rebuild))


@router.get("/rebuild/{rebuild_id}/evidence.pdf")
def evidence_pdf(visit: Known, rebuild_id: str) -> Response:
    """Give the evidence as a PDF."""
    from verify.store.evidence import write_pdf

    visit.rebuild(rebuild_id, ANSWERABLE)
    write = partial(write_pdf, visit.home, rebuild_id)
    return _file(rebuild_id, "pdf", "application/pdf", write)


@router.get("/rebuild/{rebuild_id}/evidence.zip")
def evidence_zip(visit: Known, rebuild_id: str) -> Response:
    """Give the evidence as a ZIP that can be checked with standard tools."""
    from verify.store.evidence import write_zip

    visit.rebuild(rebuild_id, ANSWERABLE)
    write = partial(write_zip, visit.home, rebuild_id)
    return _file(rebuild_id, "zip", "application/zip", write)


@router.post("/rebuild/{rebuild_id}/clear", dependencies=[CHECKED])
def clear(
    visit: Known, rebuild_id: str, hold: Text, result: Result, reason: Text, key: Key
) -> Response:
    """Lift a hold after a look."""
    return _decide(
        visit,
        rebuild_id,
        lambda r: r.delivered(key).clear(rebuild_id, hold, result, reason, by=visit.by),
        anchor="#held",
    )


@router.post("/rebuild/{rebuild_id}/release", dependencies=[CHECKED])
def release(visit: Known, rebuild_id: str, pin: Pin, key: Key) -> Response:
    """Release a machine for start-up; the PIN is asked for again."""
    return _decide(
        visit, rebuild_id, lambda r: r.delivered(key).release(rebuild_id, by=visit.by), pin=pin
    )


@router.post("/rebuild/{rebuild_id}/emergency", dependencies=[CHECKED])
def emergency(visit: Known, rebuild_id: str, pin: Pin, reason: Text, key: Key) -> Response:
    """Release because no supervisor answered."""
    return _decide(
        visit,
        rebuild_id,
        lambda r: r.delivered(key).emergency_release(rebuild_id, reason, by=visit.by),
        pin=pin,
    )


@router.post("/rebuild/{rebuild_id}/countersign", dependencies=[CHECKED])
def countersign(visit: Known, rebuild_id: str, pin: Pin, key: Key, note: Text = "") -> Response:
    """Look at an emergency release afterwards."""
    return _decide(
        visit,
        rebuild_id,
        lambda r: r.delivered(key).countersign(rebuild_id, note=note, by=visit.by),
        pin=pin,
    )


@router.post("/rebuild/{rebuild_id}/send-back", dependencies=[CHECKED])
def send_back(
    visit: Known, rebuild_id: str, reason: Text, key: Key, steps: Steps = None
) -> Response:
    """Have steps done again."""
    return _decide(
        visit,
        rebuild_id,
        lambda r: r.delivered(key).send_back(rebuild_id, steps or (), reason, by=visit.by),
    )


@router.post("/rebuild/{rebuild_id}/return", dependencies=[CHECKED])
def return_to_work(
    visit: Known, rebuild_id: str, reason: Text, key: Key, steps: Steps = None
) -> Response:
    """Go on with a machine that was out of service."""
    return _decide(
        visit,
        rebuild_id,
        lambda r: r.delivered(key).return_to_work(rebuild_id, steps or (), reason, by=visit.by),
    )


@router.post("/rebuild/{rebuild_id}/give-up", dependencies=[CHECKED])
def give_up(visit: Known, rebuild_id: str, reason: Text, key: Key) -> Response:
    """End a rebuild that is not going to be finished."""
    return _decide(
        visit, rebuild_id, lambda r: r.delivered(key).give_up(rebuild_id, reason, by=visit.by)
    )


def _decide(
    visit: Visit,
    rebuild_id: str,
    act: Callable[[Rebuilds], Rebuild],
    *,
    pin: str | None = None,
    anchor: str = "",
) -> Response:
    """Do one thing and show the evidence again; what was refused is told there."""
    visit.rebuild(rebuild_id, ANSWERABLE)
    try:
        if pin is not None:
            confirm(visit, pin)
        act(visit.home.rebuilds)
    except (RefusedError, UsageError) as error:
        rebuild = visit.home.rebuilds.get(rebuild_id)
        status = 403 if getattr(error, "code", "") in ("wrong-pin", "role", "own-work") else 409
        page = evidence_page(visit, rebuild, reason(error, visit.language))
        return render(visit, "evidence.html", page, status)
    return visit.done(f"/rebuild/{rebuild_id}/evidence{anchor}")


def confirm(visit: Visit, pin: str) -> None:
    """Ask whether it is still the same person; wrong PINs count as they do at signing in."""
    client = visit.request.client
    wait = visit.desk.limiter.wait(client.host if client else "")
    if wait:
        text = later("Too many tries from here. Wait a few minutes.")
        raise WebError(HTTPStatus.TOO_MANY_REQUESTS, "too-many", text, wait)
    visit.home.people.sign_in(visit.by, pin)
    # Signing in may have hashed the PIN anew; the session goes on.
    mark = visit.home.people.secret_mark(visit.by)
    visit.session = Session(visit.by, mark, visit.session.csrf)


def _waiting(visit: Visit, listed: Listed, told: Mapping[str, Sequence[Told]]) -> Waiting:
    language = visit.language
    site = visit.home.sites.store(listed.store)
    since = from_rfc3339(listed.handed_in_at or listed.changed_at)
    return Waiting(
        url=f"/rebuild/{listed.id}/evidence",
        machine=visit.home.sites.machine(listed.machine).title,
        store=site.name,
        state=language.say(words.STATES[listed.state]),
        tone=TONES[listed.state],
        since=language.moment(since, site.zone),
        waited=language.span(visit.home.people.clock() - since),
        held=listed.open_holds,
        mine=any(visit.is_any(listed.store, *may_answer(why)) for why in listed.waits_for),
        told=tuple(told.get(listed.id, ())),
    )


def _file(rebuild_id: str, ending: str, kind: str, write: Callable[[Path], None]) -> Response:
    with tempfile.TemporaryDirectory() as place:
        path = Path(place) / f"evidence.{ending}"
        write(path)
        content = path.read_bytes()
    headers = {"Content-Disposition": f'attachment; filename="{rebuild_id}.{ending}"'}
    return Response(content, headers=headers, media_type=kind)
