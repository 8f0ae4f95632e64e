"""From the entries of a record to where its rebuild stands.

The record is the truth; everything shown of a rebuild is worked out from it, here. What an
entry says was judged when it was written: verdicts and limits are not judged anew.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from enum import StrEnum
from typing import Any

from verify.domain import Phase, Step
from verify.rebuild.entries import Action, ClearedAs, Entry
from verify.rebuild.holds import Cautions, Hold, Looked, cautions_of, holds_of
from verify.rebuild.people import WORK
from verify.rebuild.plan import Plan, plan_from_json
from verify.rebuild.states import State, after


class Standing(StrEnum):
    """Where one step stands."""

    TO_DO = "to-do"
    AGAIN = "again"  # the photo could not be judged
    HELD = "held"
    TO_ACKNOWLEDGE = "to-acknowledge"
    DONE = "done"


@dataclass(frozen=True)
class StepState:
    """One step and what was last said of it.

    Attributes:
        entry: number of the entry that counts; None where there is none, or it was reopened.
        kind: of that entry.
        data: of that entry, as it was recorded.
        tries: entries so far, reopened ones too.
        holds: of the entry that counts, cleared ones too.
        cautions: parts to be acknowledged.
    """

    step: Step
    entry: int | None = None
    kind: Action | None = None
    data: dict[str, Any] = field(default_factory=dict)
    by: str = ""
    at: datetime | None = None
    tries: int = 0
    holds: tuple[Hold, ...] = ()
    cautions: Cautions = ()

    @property
    def open_holds(self) -> tuple[Hold, ...]:
        """The holds that nobody has cleared."""
        return tuple(hold for hold in self.holds if hold.cleared is None)

    @property
    def standing(self) -> Standing:
        """Where the step stands, the first that fits."""
        if self.entry is None:
            return Standing.TO_DO
        if self.kind is Action.PHOTO and self.data["result"]["verdict"] == "retake":
            return Standing.AGAIN
        if self.open_holds:
            return Standing.HELD
        return Standing.TO_ACKNOWLEDGE if self.cautions else Standing.DONE

    @property
    def answered(self) -> bool:
        """True where there is something to look at, held or not."""
        return self.standing not in (Standing.TO_DO, Standing.AGAIN)


@dataclass(frozen=True)
class Leak:
    """A leak found after the start. ``photos`` are those that counted at that moment."""

    entry: int
    at: datetime
    by: str
    where: str
    miss: str
    photos: tuple[str, ...]


@dataclass(frozen=True)
class Rebuild:
    """A rebuild as its record tells it.

    Attributes:
        settings: of the store when it began.
        doers: ids of all who did a part of it.
        handed_in_at: of the last time; None while nobody waits.
        released_by: of the release that counts; None where there is none.
        emergency: True where that release was made because nobody answered.
        countersigned: True where a supervisor has looked at that since.
        reason: why it was sent back, is out of service or was given up; empty otherwise.
        entries: how many there are.
    """

    id: str
    machine: str
    store: str
    day: date
    plan: Plan
    settings: dict[str, Any]
    started_at: datetime
    started_by: str
    state: State
    steps: tuple[StepState, ...]
    doers: frozenset[str]
    handed_in_at: datetime | None = None
    released_by: str | None = None
    released_at: datetime | None = None
    emergency: bool = False
    countersigned: bool = False
    leaks: tuple[Leak, ...] = ()
    replaced: tuple[dict[str, Any], ...] = ()
    reason: str = ""
    entries: int = 1
    last_at: datetime | None = None

    def step(self, step_id: str) -> StepState:
        """Return where a step stands; KeyError where there is none of that id."""
        for state in self.steps:
            if state.step.id == step_id:
                return state
        raise KeyError(step_id)

    @property
    def open_holds(self) -> tuple[Hold, ...]:
        """All holds that nobody has cleared, in the order of the steps."""
        return tuple(hold for state in self.steps for hold in state.open_holds)

    def hold(self, hold_id: str) -> Hold | None:
        """Return the hold of that id which still counts, or None."""
        every = (hold for state in self.steps for hold in state.holds)
        return next((hold for hold in every if hold.id == hold_id), None)

    def in_phase_group(self, *, start_up: bool) -> tuple[StepState, ...]:
        """Return the steps of start-up, or all that come before it."""
        return tuple(s for s in self.steps if (s.step.phase is Phase.START_UP) is start_up)

    @property
    def photos(self) -> tuple[str, ...]:
        """SHA-256 of the photos that count, in the order of the steps."""
        return tuple(s.data["sha256"] for s in self.steps if s.kind is Action.PHOTO)

    @property
    def next_step(self) -> StepState | None:
        """The first step of those open now that is not done, or None."""
        group = self.in_phase_group(start_up=self.state is State.RELEASED)
        return next((s for s in group if s.standing is not Standing.DONE), None)


def replay(entries: Iterable[Entry]) -> Rebuild:
    """Return the rebuild that a whole record tells of.

    Raises:
        ValueError: the record is empty or does not begin with a start.
        RefusedError: an entry does not fit the state before it.
    """
    rebuild: Rebuild | None = None
    for entry in entries:
        rebuild = begin(entry) if rebuild is None else apply(rebuild, entry)
    if rebuild is None:
        raise ValueError("a record without entries")
    return rebuild


def begin(entry: Entry) -> Rebuild:
    """Return the rebuild that a first entry starts."""
    if entry.kind != Action.START:
        raise ValueError("a record of a rebuild begins with its start")
    data = entry.data
    plan = plan_from_json(data["plan"])
    return Rebuild(
        id=entry.chain,
        machine=data["machine"],
        store=data["store"],
        day=date.fromisoformat(data["day"]),
        plan=plan,
        settings=dict(data["settings"]),
        started_at=entry.at,
        started_by=entry.by,
        state=State.UNDER_WAY,
        steps=tuple(StepState(step) for step in plan.steps),
        doers=frozenset({entry.by}),
        entries=entry.n,
        last_at=entry.at,
    )


def apply(rebuild: Rebuild, entry: Entry) -> Rebuild:
    """Return the rebuild after one more entry.

    Raises:
        RefusedError: the entry does not fit the state.
    """
    action = Action(entry.kind)
    state = after(rebuild.state, action)
    doers = rebuild.doers | {entry.by} if action in WORK else rebuild.doers
    rebuild = replace(
        rebuild, state=state, doers=doers, entries=rebuild.entries + 1, last_at=entry.at
    )
    change = _CHANGES.get(action)
    return rebuild if change is None else change(rebuild, entry)


def _with_step(rebuild: Rebuild, changed: StepState) -> Rebuild:
    steps = tuple(changed if s.step.id == changed.step.id else s for s in rebuild.steps)
    return replace(rebuild, steps=steps)


def _step_done(rebuild: Rebuild, entry: Entry) -> Rebuild:
    before = rebuild.step(entry.data["step"])
    if before.entry is not None:
        rebuild = _reopen(rebuild, rebuild.plan.undone_with(frozenset({before.step.id})))
    return _with_step(
        rebuild,
        StepState(
            step=before.step,
            entry=entry.n,
            kind=Action(entry.kind),
            data=dict(entry.data),
            by=entry.by,
            at=entry.at,
            tries=before.tries + 1,
            holds=holds_of(entry),
            cautions=cautions_of(entry),
        ),
    )


def _reopen(rebuild: Rebuild, step_ids: frozenset[str]) -> Rebuild:
    steps = tuple(
        StepState(s.step, tries=s.tries) if s.step.id in step_ids else s for s in rebuild.steps
    )
    return replace(rebuild, steps=steps)


def _acknowledge(rebuild: Rebuild, entry: Entry) -> Rebuild:
    return _with_step(rebuild, replace(rebuild.step(entry.data["step"]), cautions=()))


def _clear(rebuild: Rebuild, entry: Entry) -> Rebuild:
    wanted = entry.data["hold"]
    look = Looked(entry.by, entry.at, ClearedAs(entry.data["as"]), entry.data["reason"])
    for state in rebuild.steps:
        if any(hold.id == wanted for hold in state.holds):
            holds = tuple(replace(h, cleared=look) if h.id == wanted else h for h in state.holds)
            return _with_step(rebuild, replace(state, holds=holds))
    raise ValueError(f"entry {entry.n} clears a hold that is not there: {wanted}")


def _replace_part(rebuild: Rebuild, entry: Entry) -> Rebuild:
    return replace(rebuild, replaced=(*rebuild.replaced, {**entry.data, "by": entry.by}))


def _hand_in(rebuild: Rebuild, entry: Entry) -> Rebuild:
    return replace(rebuild, handed_in_at=entry.at, reason="")


def _send_back(rebuild: Rebuild, entry: Entry) -> Rebuild:
    again = rebuild.plan.reopened_with(frozenset(entry.data["steps"]))
    return replace(_unreleased(_reopen(rebuild, again)), reason=entry.data["reason"])


def _unreleased(rebuild: Rebuild) -> Rebuild:
    return replace(
        rebuild,
        handed_in_at=None,
        released_by=None,
        released_at=None,
        emergency=False,
        countersigned=False,
    )


def _release(rebuild: Rebuild, entry: Entry) -> Rebuild:
    return replace(
        rebuild,
        released_by=entry.by,
        released_at=entry.at,
        emergency=entry.kind == Action.EMERGENCY_RELEASE,
        countersigned=False,
        handed_in_at=None,
    )


def _countersign(rebuild: Rebuild, _entry: Entry) -> Rebuild:
    return replace(rebuild, countersigned=True)


def _leak(rebuild: Rebuild, entry: Entry) -> Rebuild:
    data = entry.data
    leak = Leak(entry.n, entry.at, entry.by, data["where"], data["miss"], tuple(data["photos"]))
    return replace(rebuild, leaks=(*rebuild.leaks, leak), reason=data["where"])


def _out_of_service(rebuild: Rebuild, entry: Entry) -> Rebuild:
    return replace(rebuild, handed_in_at=None, reason=entry.data["reason"])


def _return(rebuild: Rebuild, entry: Entry) -> Rebuild:
    """Back to work: the steps named, and all of start-up, have to be done again."""
    return _send_back(rebuild, entry)


def _give_up(rebuild: Rebuild, entry: Entry) -> Rebuild:
    return replace(rebuild, handed_in_at=None, reason=entry.data["reason"])


_CHANGES = {
    Action.PHOTO: _step_done,
    Action.ANSWER: _step_done,
    Action.READING: _step_done,
    Action.SKIP: _step_done,
    Action.ACKNOWLEDGE: _acknowledge,
    Action.CLEAR: _clear,
    Action.REPLACE: _replace_part,
    Action.HAND_IN: _hand_in,
    Action.SEND_BACK: _send_back,
    Action.RELEASE: _release,
    Action.EMERGENCY_RELEASE: _release,
    Action.COUNTERSIGN: _countersign,
    Action.LEAK: _leak,
    Action.LATE_LEAK: _leak,
    Action.OUT_OF_SERVICE: _out_of_service,
    Action.RETURN: _return,
    Action.GIVE_UP: _give_up,
}
