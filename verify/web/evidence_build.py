"""From a rebuild to the one page that a supervisor decides on."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

from verify.domain import Phase, StepKind, View
from verify.errors import RefusedError
from verify.rebuild import rules
from verify.rebuild.entries import Action, ClearedAs, Entry
from verify.rebuild.holds import Hold
from verify.rebuild.people import MAY, NEEDS_OTHER_EYES, Actor
from verify.rebuild.replay import Rebuild, StepState
from verify.rebuild.states import TRANSITIONS
from verify.store.sites import KnownMachine
from verify.web import words
from verify.web.crew_build import TONES, advices, new_key, view_of
from verify.web.errors import refusal
from verify.web.evidence_pages import (
    CheckLine,
    EntryLine,
    EvidencePage,
    HoldLine,
    PhotoCard,
)
from verify.web.language import later
from verify.web.messages.told import told_lines
from verify.web.visit import Visit

CLEARED = {
    ClearedAs.FALSE_ALARM: later("it was right all the time"),
    ClearedAs.PUT_RIGHT: later("it was wrong and was put right"),
    ClearedAs.ACCEPTED: later("known, and harmless tonight"),
}
_DONE = {
    Action.START: later("started the rebuild"),
    Action.PHOTO: later("photo"),
    Action.ANSWER: later("answer"),
    Action.READING: later("reading"),
    Action.SKIP: later("left out a step"),
    Action.ACKNOWLEDGE: later("read the cautions"),
    Action.REPLACE: later("replaced a part"),
    Action.HAND_IN: later("handed it in"),
    Action.CLEAR: later("looked at what was held"),
    Action.SEND_BACK: later("sent it back"),
    Action.RELEASE: later("released it"),
    Action.EMERGENCY_RELEASE: later("released it in an emergency"),
    Action.COUNTERSIGN: later("countersigned"),
    Action.PUT_IN_USE: later("put it in use"),
    Action.LEAK: later("reported a leak"),
    Action.LATE_LEAK: later("reported a leak late"),
    Action.OUT_OF_SERVICE: later("took it out of service"),
    Action.RETURN: later("returned it to work"),
    Action.GIVE_UP: later("gave it up"),
}


class _Case:
    """What all parts of the page need."""

    def __init__(self, visit: Visit, rebuild: Rebuild) -> None:
        self.visit, self.rebuild = visit, rebuild
        self.language = visit.language
        self.machine: KnownMachine = visit.home.sites.machine(rebuild.machine)
        self.site = visit.home.sites.store(rebuild.store)
        self.names = {p.id: p.name for p in visit.home.people.everybody()}
        self.views = {
            s.step.view: view_of(visit, self.machine, s.step.view)
            for s in rebuild.steps
            if s.step.view
        }

    def who(self, person: str | None) -> str:
        return self.names.get(person, person) if person else "–"

    def when(self, at: datetime | None) -> str:
        return self.language.moment(at, self.site.zone) if at else "–"

    def view(self, state: StepState) -> View | None:
        return self.views.get(state.step.view) if state.step.view else None

    def title(self, state: StepState) -> str:
        return state.step.title.get(self.language.code)


def evidence_page(visit: Visit, rebuild: Rebuild, problem: str = "") -> EvidencePage:
    """Return everything that there is to decide on, what is held first."""
    case = _Case(visit, rebuild)
    language = visit.language
    actor = visit.require(rebuild.store)
    verified = visit.home.rebuilds.entries(rebuild.id)
    holds = [(state, hold) for state in rebuild.steps for hold in state.holds]
    handed = rebuild.handed_in_at
    now = visit.home.people.clock()
    released = ""
    if rebuild.released_by:
        released = f"{case.who(rebuild.released_by)}, {case.when(rebuild.released_at)}"
    return EvidencePage(
        id=rebuild.id,
        machine=case.machine.title,
        number=case.machine.number,
        store=case.site.name,
        day=language.day(rebuild.day),
        state=language.say(words.STATES[rebuild.state]),
        tone=TONES[rebuild.state],
        reason=rebuild.reason,
        waited=language.span(now - handed) if handed else "",
        told=tuple(told_lines(visit, {rebuild.id: rebuild.store}).get(rebuild.id, ())),
        doers=tuple(sorted(case.who(person) for person in rebuild.doers)),
        released=released,
        open_holds=tuple(_hold(case, s, h) for s, h in holds if h.cleared is None),
        cleared=tuple(_hold(case, s, h) for s, h in holds if h.cleared is not None),
        photos=tuple(_photos(case)),
        checks=tuple(_checks(case)),
        replaced=tuple(_replaced(case)),
        leaks=tuple(
            f"{case.when(leak.at)}, {case.who(leak.by)}: {leak.where}" for leak in rebuild.leaks
        ),
        record=tuple(_line(case, entry) for entry in verified.entries),
        steps=tuple((s.step.id, case.title(s), bool(s.open_holds)) for s in rebuild.steps),
        may=frozenset(_may(rebuild, actor)),
        blocked=_blocked(visit, rebuild, actor),
        problem=problem,
        head=verified.head,
        key=new_key(),
    )


def _may(rebuild: Rebuild, actor: Actor) -> Iterator[str]:
    for action in Action:
        fits = (rebuild.state, action) in TRANSITIONS and bool(MAY[action] & actor.roles)
        own = action in NEEDS_OTHER_EYES and actor.id in rebuild.doers
        if action is Action.COUNTERSIGN:
            fits = fits and rebuild.emergency and not rebuild.countersigned
        if fits and not own:
            yield action.value


def _blocked(visit: Visit, rebuild: Rebuild, actor: Actor) -> str:
    try:
        rules.release(rebuild, actor, "")
    except RefusedError as refused:
        return refusal(refused, visit.language)
    return ""


def _hold(case: _Case, state: StepState, hold: Hold) -> HoldLine:
    language, view = case.language, case.view(state)
    by_id = {p["id"]: p for p in state.data.get("result", {}).get("parts", ())}
    found = by_id.get(hold.part or "")
    drawn = any(p.id == hold.part for p in view.parts) if view else False
    part = reference = ""
    if view is not None and drawn:
        reference = f"/machine/{case.machine.id}/view/{view.id}/part/{hold.part}.jpg"
        if found is not None and found["outline"]:
            part = f"/rebuild/{case.rebuild.id}/photo/{hold.entry}/part/{hold.part}.jpg"
    cleared = ""
    if hold.cleared is not None:
        look = hold.cleared
        result = CLEARED[look.result]
        cleared = (
            f"{case.who(look.by)}, {case.when(look.at)}: {language.say(result)}. {look.reason}"
        )
    message = words.hold(hold, view, language, found, state.data)
    return HoldLine(hold.id, case.title(state), message, part, reference, cleared)


def _photos(case: _Case) -> Iterator[PhotoCard]:
    language = case.language
    for state in case.rebuild.steps:
        if state.kind is not Action.PHOTO:
            continue
        result, view = state.data["result"], case.view(state)
        base = f"/rebuild/{case.rebuild.id}/photo/{state.entry}"
        yield PhotoCard(
            title=case.title(state),
            verdict="hold" if state.open_holds else str(result["verdict"]),
            headline=words.headline(result, language),
            picture=f"{base}/marked.jpg",
            plain=f"{base}/small.jpg",
            reference=f"/machine/{case.machine.id}/view/{view.id}/master.jpg" if view else "",
            advice=tuple(advices(result, view, language)),
            by=f"{case.who(state.by)}, {case.when(state.at)}",
            tries=state.tries,
        )


def _checks(case: _Case) -> Iterator[CheckLine]:
    say = case.language.say
    for state in case.rebuild.steps:
        if state.step.kind is StepKind.PHOTO and state.kind is not Action.SKIP:
            continue
        if state.step.phase is Phase.START_UP and state.entry is None:
            continue  # not its time yet
        data = state.data
        if state.kind is Action.ANSWER:
            answer = say("Yes") if data["yes"] else say("No")
            answer = f"{answer}. {data['note']}" if data["note"] else answer
        elif state.kind is Action.READING:
            answer = words.reading(data, case.language)
        elif state.kind is Action.SKIP:
            said = say("Left out:")
            answer = f"{said} {data['reason']}"
        else:
            answer = "–"
        yield CheckLine(
            phase=say(words.PHASES[state.step.phase]),
            title=case.title(state),
            answer=answer,
            right=not state.open_holds and state.entry is not None,
            by=f"{case.who(state.by)}, {case.when(state.at)}" if state.at else "",
            tries=state.tries,
        )


def _replaced(case: _Case) -> Iterator[str]:
    titles = {item.id: item.title.get(case.language.code) for item in case.rebuild.plan.wear}
    for item in case.rebuild.replaced:
        title = titles.get(item["item"], item["item"])
        told = f"{item['count']} × {title}: {item['reason']} ({case.who(item['by'])})"
        lacked = item.get("not_in_kit", 0)
        more = case.language.say("%(n)s more than the kit listed: count the spares", n=lacked)
        yield f"{told}. {more}" if lacked else told


def _line(case: _Case, entry: Entry) -> EntryLine:
    what = case.language.say(_DONE[Action(entry.kind)])
    step = entry.data.get("step")
    if step in case.rebuild.plan.ids:
        title = case.rebuild.step(step).step.title.get(case.language.code)
        what = f"{what}: {title}"
    if entry.data.get("reason"):
        what = f"{what}. {entry.data['reason']}"
    return EntryLine(entry.n, case.when(entry.at), case.who(entry.by), what)
