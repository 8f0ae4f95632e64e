"""From a rebuild to what the crew's pages show."""

from __future__ import annotations

import secrets
from collections.abc import Iterator

from verify.domain import Phase, Step, StepKind, Text, View
from verify.errors import BrokenFileError, RefusedError
from verify.rebuild import rules
from verify.rebuild.entries import Action
from verify.rebuild.people import ANSWERABLE
from verify.rebuild.replay import Rebuild, Standing, StepState
from verify.rebuild.states import TRANSITIONS, State
from verify.store.records import Listed
from verify.store.sites import KnownMachine
from verify.web import words
from verify.web.crew_pages import (
    Advice,
    Answered,
    Example,
    MachineCard,
    PhaseList,
    Place,
    RebuildPage,
    Reference,
    StepLine,
    StepPage,
    Wear,
)
from verify.web.errors import refusal
from verify.web.language import Language
from verify.web.visit import Visit

TONES = {
    State.UNDER_WAY: "doubt",
    State.HANDED_IN: "doubt",
    State.RELEASED: "good",
    State.IN_USE: "good",
    State.STOPPED: "stop",
    State.OUT_OF_SERVICE: "stop",
    State.GIVEN_UP: "plain",
}
_LOOKS = {
    ("fault", "stop"): "stop",
    ("fault", "caution"): "caution",
    ("unsure", "stop"): "unsure",
    ("unsure", "caution"): "unsure",
    ("unseen", "stop"): "unseen",
    ("unseen", "caution"): "unseen",
}


def new_key() -> str:
    """Return a key that nothing was sent with before."""
    return secrets.token_hex(16)


def step_url(rebuild: str, step: str) -> str:
    """Return the address of a step."""
    return f"/rebuild/{rebuild}/step/{step}"


def view_of(visit: Visit, machine: KnownMachine, view_id: str | None) -> View | None:
    """Return a view as the machine's folder has it now; None where it is gone or broken."""
    try:
        views = visit.desk.judges.machine(machine.folder).views
    except BrokenFileError:
        return None
    return next((view for view in views if view.id == view_id), None)


def machine_card(
    visit: Visit, machine: KnownMachine, store: str, newest: Listed | None
) -> MachineCard:
    """Return how one machine stands tonight."""
    language = visit.language
    free = newest is None or newest.state in (State.IN_USE, State.GIVEN_UP)
    done = total = 0
    detail = language.say("No rebuild yet.")
    if newest is not None:
        detail = language.day(visit.home.rebuilds.get(newest.id).day)
        if not free:
            rebuild = visit.home.rebuilds.get(newest.id)
            total = len(rebuild.steps)
            done = sum(s.answered for s in rebuild.steps)
    try:
        first = visit.desk.judges.machine(machine.folder).views[0].id
        picture = f"/machine/{machine.id}/view/{first}/master.jpg"
    except BrokenFileError:
        picture = ""
    return MachineCard(
        machine=machine.id,
        title=machine.title,
        store=store,
        number=machine.number,
        state=language.say(words.STATES[newest.state]) if newest else language.say("Ready"),
        tone=TONES[newest.state] if newest else "plain",
        detail=detail,
        done=done,
        total=total,
        start=free,
        rebuild=newest.id if newest else None,
        picture=picture,
    )


def rebuild_page(visit: Visit, rebuild: Rebuild) -> RebuildPage:
    """Return a rebuild with its steps by phase."""
    language = visit.language
    machine = visit.home.sites.machine(rebuild.machine)
    following = next_to_do(rebuild)
    group = rebuild.in_phase_group(start_up=rebuild.state is State.RELEASED)
    return RebuildPage(
        id=rebuild.id,
        machine=machine.id,
        title=machine.title,
        number=machine.number,
        day=language.day(rebuild.day),
        state=language.say(words.STATES[rebuild.state]),
        tone=TONES[rebuild.state],
        reason=rebuild.reason,
        phases=tuple(_phases(visit, rebuild)),
        next_title=following.step.title.get(language.code) if following else "",
        next_url=step_url(rebuild.id, following.step.id) if following else "",
        actions=frozenset(_actions(rebuild)),
        held=len(rebuild.open_holds),
        done=sum(s.answered for s in group),
        total=len(group),
        evidence=visit.is_any(rebuild.store, *ANSWERABLE),
        key=new_key(),
        spots=tuple(
            (s.step.id, s.step.title.get(language.code))
            for s in rebuild.steps
            if s.step.kind is StepKind.PHOTO
        ),
    )


def _actions(rebuild: Rebuild) -> Iterator[str]:
    """Yield what may be done with the whole now; the rules have the last word."""
    wanted = {
        Action.HAND_IN: all(s.answered for s in rebuild.in_phase_group(start_up=False)),
        Action.PUT_IN_USE: all(
            s.standing is Standing.DONE for s in rebuild.in_phase_group(start_up=True)
        ),
        Action.LEAK: True,
        Action.OUT_OF_SERVICE: True,
    }
    for action, ready in wanted.items():
        if ready and (rebuild.state, action) in TRANSITIONS:
            yield action.value


def _phases(visit: Visit, rebuild: Rebuild) -> Iterator[PhaseList]:
    language = visit.language
    names = {p.id: p.name for p in visit.home.people.everybody(rebuild.store)}
    for phase in Phase:
        lines = tuple(
            StepLine(
                title=s.step.title.get(language.code),
                url=step_url(rebuild.id, s.step.id),
                kind=s.step.kind.value,
                standing=s.standing.value,
                word=language.say(words.STANDINGS[s.standing]),
                by=names.get(s.by, s.by),
            )
            for s in rebuild.steps
            if s.step.phase is phase
        )
        if lines:
            caution = language.say(words.CAUTIONS[phase][0])
            yield PhaseList(language.say(words.PHASES[phase]), lines, caution)


def next_to_do(rebuild: Rebuild, after: str | None = None) -> StepState | None:
    """Return the next open step that nothing was said at yet, behind a step if one is named."""
    if rebuild.state not in (State.UNDER_WAY, State.RELEASED):
        return None
    group = list(rebuild.in_phase_group(start_up=rebuild.state is State.RELEASED))
    ids = [s.step.id for s in group]
    start = ids.index(after) + 1 if after in ids else 0
    order = [*group[start:], *group[:start]]
    return next((s for s in order if not s.answered and s.step.id != after), None)


def step_page(visit: Visit, rebuild: Rebuild, state: StepState) -> StepPage:
    """Return one step with what was said at it."""
    language, step = visit.language, state.step
    machine = visit.home.sites.machine(rebuild.machine)
    view = view_of(visit, machine, step.view)
    closed, early = _closed(visit, rebuild, state)
    by_id = {p["id"]: p for p in state.data.get("result", {}).get("parts", ())}

    def told(text: Text | None) -> str:
        return text.get(language.code) if text else ""

    return StepPage(
        rebuild=rebuild.id,
        machine=machine.title,
        id=step.id,
        kind=step.kind.value,
        title=told(step.title),
        ask=told(step.ask or (view.ask if view else None)),
        why=told(step.why),
        if_not=told(step.if_not),
        phase=language.say(words.PHASES[step.phase]),
        cautions=tuple(language.say(text) for text in words.CAUTIONS[step.phase]),
        open=early or not closed,
        closed=closed,
        standing=state.standing.value,
        answered=_answered(visit, rebuild, state, view),
        holds=tuple(
            words.hold(h, view, language, by_id.get(h.part or ""), state.data)
            for h in state.open_holds
        ),
        to_read=tuple(
            words.finding(by_id[part], view, language) if part in by_id else text
            for part, text in state.cautions
        ),
        reference=_reference(machine, view, language) if view else Reference(),
        place=_place(rebuild, state, language),
        units=_units(step, language),
        quantity=told(step.quantity),
        limits=_limits(step, language),
        wear=tuple(_wear(visit, machine, step, rebuild)),
        tries=state.tries,
        key=new_key(),
    )


def _place(rebuild: Rebuild, state: StepState, language: Language) -> Place:
    ids = [s.step.id for s in rebuild.steps]
    place = ids.index(state.step.id)
    following = next_to_do(rebuild, state.step.id)
    return Place(
        number=place + 1,
        total=len(ids),
        before_url=step_url(rebuild.id, ids[place - 1]) if place else "",
        after_url=step_url(rebuild.id, following.step.id)
        if following
        else f"/rebuild/{rebuild.id}",
        after_title=following.step.title.get(language.code) if following else "",
        offline_url=step_url(rebuild.id, ids[place + 1]) if place + 1 < len(ids) else "/",
    )


def _reference(machine: KnownMachine, view: View, language: Language) -> Reference:
    return Reference(
        picture=f"/machine/{machine.id}/view/{view.id}/master.jpg",
        size=view.size,
        outlines=tuple(_points(part.outline) for part in view.parts),
        examples=tuple(_examples(machine, view, language)),
    )


def _closed(visit: Visit, rebuild: Rebuild, state: StepState) -> tuple[str, bool]:
    """Say why it is not this step's turn, nothing where it is; and whether it is only too early.

    Too early, the forms are shown all the same: without a network, the steps before this one
    may be done on this phone and not have been sent yet.
    """
    actor = visit.require(rebuild.store)
    action = {
        StepKind.PHOTO: Action.PHOTO,
        StepKind.CHECK: Action.ANSWER,
        StepKind.READING: Action.READING,
    }[state.step.kind]
    try:
        rules.do_step(rebuild, action, state.step.id, actor)
    except RefusedError as refused:
        return refusal(refused, visit.language), refused.code == "too-early"
    return "", False


def _answered(
    visit: Visit, rebuild: Rebuild, state: StepState, view: View | None
) -> Answered | None:
    if state.entry is None or state.at is None:
        return None
    language, data = visit.language, state.data
    zone = visit.home.sites.store(rebuild.store).zone
    names = {p.id: p.name for p in visit.home.people.everybody()}
    verdict, head, picture, text = "pass", "", "", ""
    advice: tuple[Advice, ...] = ()
    right = parts = 0
    drawn = False
    if state.kind is Action.PHOTO:
        result = data["result"]
        verdict, head = result["verdict"], words.headline(result, language)
        drawn = verdict != "pass" or not state.open_holds
        if not drawn:
            verdict, head = "hold", language.say("Stop: have a look yourself")
        if result["retake"]:
            text = words.retake(result, language)
        picture = f"/rebuild/{rebuild.id}/photo/{state.entry}/marked.jpg"
        advice = tuple(advices(result, view, language))
        parts = len(result["parts"])
        right = sum(p["verdict"] == "ok" for p in result["parts"])
    elif state.kind is Action.SKIP:
        verdict, head, text = "hold", language.say("Left out, with a note"), data["reason"]
    elif state.kind is Action.ANSWER:
        verdict = "pass" if data["yes"] else "hold"
        head = language.say("Answered: yes") if data["yes"] else language.say("Answered: no")
        text = data["note"]
    elif state.kind is Action.READING:
        verdict = "pass" if data["ok"] else "hold"
        head = language.reading(data["value"], data["unit"])
        text = words.reading(data, language)
    return Answered(
        verdict=verdict,
        headline=head,
        picture=picture,
        drawn=drawn,
        advice=advice,
        text=text,
        right=right,
        parts=parts,
        by=names.get(state.by, state.by),
        when=language.moment(state.at, zone),
    )


def advices(result: dict[str, object], view: View | None, language: Language) -> Iterator[Advice]:
    """Yield the parts that need a look, numbered as they are on the marked photo."""
    parts: list[dict[str, object]] = [p for p in result["parts"] if p["verdict"] != "ok"]  # type: ignore[attr-defined]
    order = {"fault": 0, "unsure": 1, "unseen": 2}
    parts.sort(key=lambda p: (p["severity"] != "stop", order[str(p["verdict"])]))
    for number, part in enumerate(parts, start=1):
        look = _LOOKS[str(part["verdict"]), str(part["severity"])]
        yield Advice(
            number, look, words.finding(part, view, language), words.fix(part, view, language)
        )


def _examples(machine: KnownMachine, view: View, language: Language) -> Iterator[Example]:
    """Yield one right shot and one of each fault that the shots show, six at most."""
    base = f"/machine/{machine.id}/view/{view.id}/shot"
    seen: set[tuple[str, str]] = set()
    found = []
    for number, shot in enumerate(view.shots):
        new = {(part, state) for part, state in shot.states.items()} - seen
        if new:
            seen |= new
            wrong = "; ".join(
                f"{words.title_of(view, part, language)}: {words.spoken_state(state, language)}"
                for part, state in shot.states.items()
            )
            found.append(Example(f"{base}/{number}.jpg", wrong))
    yield from found[:6]


def _points(outline: tuple[tuple[float, float], ...]) -> str:
    return " ".join(f"{x:g},{y:g}" for x, y in outline)


def _units(step: Step, language: Language) -> tuple[str, ...]:
    if step.unit == "°C":
        return ("°F", "°C") if language.fahrenheit else ("°C", "°F")
    if step.unit == "mg/L":
        return ("mg/L", "ppm")
    return (step.unit,) if step.unit else ()


def _limits(step: Step, language: Language) -> str:
    """Say the limits that stand in the plan; those of the sanitizer's table are told after."""
    low, high, unit = step.at_least, step.at_most, step.unit or ""
    if low is not None and high is not None:
        values = {"low": language.reading(low, unit), "high": language.reading(high, unit)}
        return language.say("From %(low)s to %(high)s", **values)
    if low is not None:
        return language.say("At least %(low)s", low=language.reading(low, unit))
    if high is not None:
        return language.say("At most %(high)s", high=language.reading(high, unit))
    return ""


def _wear(visit: Visit, machine: KnownMachine, step: Step, rebuild: Rebuild) -> Iterator[Wear]:
    if not step.wear:
        return
    language = visit.language
    try:
        kit = {f.item.id: f for f in visit.home.wear.kit(machine.id)}
    except BrokenFileError:
        kit = {}
    for item in step.wear:
        fitted = kit.get(item.id)
        due = fitted.due_on if fitted else None
        yield Wear(
            item.id,
            item.title.get(language.code),
            fitted.stock if fitted else 0,
            language.day(due) if due else "",
            sum(r["count"] for r in rebuild.replaced if r["item"] == item.id),
            sum(r.get("not_in_kit", 0) for r in rebuild.replaced if r["item"] == item.id),
        )
