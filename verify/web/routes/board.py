"""The board at a machine: may it be started? Readable across the room."""

from __future__ import annotations

from dataclasses import dataclass

from fastapi import APIRouter
from fastapi.responses import Response

from verify.rebuild.replay import Rebuild
from verify.rebuild.states import State
from verify.web import words
from verify.web.language import later
from verify.web.pages import render
from verify.web.visit import Known, Visit

router = APIRouter()


@dataclass(frozen=True)
class BoardPage:
    """Go or no-go.

    Attributes:
        go: True only after a release.
        word: the one word that is read across the room.
        sentence: what that means now.
        facts: who, when, why; pairs of a label and what is so.
    """

    machine: str
    number: str
    store: str
    go: bool
    word: str
    sentence: str
    facts: tuple[tuple[str, str], ...]
    cautions: tuple[str, ...]
    link: str


_WHY = {
    State.UNDER_WAY: later("The rebuild is not finished."),
    State.HANDED_IN: later("The rebuild waits for a supervisor."),
    State.STOPPED: later("It leaked. Switch off and leave it off."),
    State.OUT_OF_SERVICE: later("The machine is out of service."),
    State.GIVEN_UP: later("The last rebuild was given up."),
}


@router.get("/board/{machine_id}")
def board(visit: Known, machine_id: str) -> Response:
    """Show whether a machine may be started."""
    machine = visit.machine(machine_id)
    newest = visit.home.rebuilds.listed(machine=machine_id, limit=1)
    rebuild = visit.home.rebuilds.get(newest[0].id) if newest else None
    say = visit.say
    go = rebuild is not None and rebuild.state in (State.RELEASED, State.IN_USE)
    if rebuild is None:
        sentence = say("There is no record of a rebuild.")
    elif rebuild.state is State.RELEASED:
        sentence = say("Start-up may begin. Serve only after the start-up steps.")
    elif rebuild.state is State.IN_USE:
        sentence = say("Released and started up.")
    else:
        sentence = say(_WHY[rebuild.state])
    page = BoardPage(
        machine=machine.title,
        number=machine.number,
        store=visit.home.sites.store(machine.store).name,
        go=go,
        word=say("GO") if go else say("DO NOT START"),
        sentence=sentence,
        facts=tuple(_facts(visit, rebuild)) if rebuild else (),
        cautions=tuple(say(text) for text in (words.MOVING, words.MANUAL)),
        link=f"/rebuild/{rebuild.id}" if rebuild else "/",
    )
    return render(visit, "board.html", page)


def _facts(visit: Visit, rebuild: Rebuild) -> list[tuple[str, str]]:
    """Say who released it and when, or why not."""
    say, language = visit.say, visit.language
    zone = visit.home.sites.store(rebuild.store).zone
    names = {p.id: p.name for p in visit.home.people.everybody()}
    facts = [(say("Rebuild of"), language.day(rebuild.day))]
    if rebuild.released_by and rebuild.released_at:
        facts.append((say("Released by"), names.get(rebuild.released_by, rebuild.released_by)))
        facts.append((say("Released on"), language.moment(rebuild.released_at, zone)))
        if rebuild.emergency and not rebuild.countersigned:
            facts.append((say("Note"), say("Released in an emergency, not countersigned yet")))
    if rebuild.state is State.HANDED_IN and rebuild.handed_in_at:
        facts.append((say("Handed in"), language.moment(rebuild.handed_in_at, zone)))
    if rebuild.open_holds:
        facts.append((say("Still held"), language.number(len(rebuild.open_holds))))
    if rebuild.reason:
        facts.append((say("Reason"), rebuild.reason))
    return facts
