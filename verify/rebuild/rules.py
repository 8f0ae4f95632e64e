"""What may be done to a rebuild now, by whom, and what is written about it.

Each function looks at where a rebuild stands and returns the data of the entry to be written,
or refuses with a reason and a way out. None of them changes anything.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from typing import Any

from verify.domain import Phase, Step, StepKind
from verify.errors import RefusedError, UsageError
from verify.rebuild.entries import Action, ClearedAs, Miss
from verify.rebuild.holds import HoldReason
from verify.rebuild.people import Actor, require_other_eyes, require_role
from verify.rebuild.replay import Rebuild, Standing, StepState
from verify.rebuild.states import State, after

Json = dict[str, Any]

WAIT_MINUTES = 60  # before a manager may release because nobody answers; a store may say more
_PHASES = list(Phase)


def permit(rebuild: Rebuild, action: Action, actor: Actor) -> None:
    """Refuse what the state, the roles or the rule of other eyes forbid.

    Raises:
        RefusedError: with code ``state``, ``role`` or ``own-work``.
    """
    after(rebuild.state, action)
    require_role(action, actor)
    require_other_eyes(action, actor, rebuild.doers)


def do_step(rebuild: Rebuild, action: Action, step_id: str, actor: Actor) -> StepState:
    """Return the step that is to be photographed, answered, read or skipped now.

    Raises:
        UsageError: there is no such step, or it is of another kind.
        RefusedError: it is not its turn, or not this person's.
    """
    permit(rebuild, action, actor)
    state = find_step(rebuild, step_id)
    wanted = _KINDS.get(action)
    if wanted is not None and state.step.kind is not wanted:
        raise UsageError(
            f"'{step_id}' is a step of the kind '{state.step.kind}'; allowed: "
            + ", ".join(s.step.id for s in rebuild.steps if s.step.kind is wanted)
        )
    _require_turn(rebuild, state)
    return state


_KINDS = {
    Action.PHOTO: StepKind.PHOTO,
    Action.ANSWER: StepKind.CHECK,
    Action.READING: StepKind.READING,
}


def find_step(rebuild: Rebuild, step_id: str) -> StepState:
    """Return the step of that id.

    Raises:
        UsageError: names the steps that there are.
    """
    try:
        return rebuild.step(step_id)
    except KeyError:
        known = ", ".join(rebuild.plan.ids)
        raise UsageError(f"there is no step '{step_id}'; allowed: {known}") from None


def _require_turn(rebuild: Rebuild, state: StepState) -> None:
    in_start_up = state.step.phase is Phase.START_UP
    if in_start_up and rebuild.state is not State.RELEASED:
        raise RefusedError("not-released", "start-up begins after the machine was released")
    if rebuild.state is State.RELEASED and not in_start_up:
        raise RefusedError(
            "released", "the machine is released; to change this step it has to be sent back"
        )
    phase = _PHASES.index(state.step.phase)

    def comes_first(step: Step) -> bool:
        return _PHASES.index(step.phase) < phase or step.hidden_by == state.step.id

    missing = [s.step.id for s in rebuild.steps if comes_first(s.step) and not s.answered]
    if missing:
        raise RefusedError(
            "too-early",
            f"'{state.step.id}' comes after {_listed(missing)}: do that first, or "
            "skip it with a reason, which holds the machine",
        )


def answer(rebuild: Rebuild, actor: Actor, step_id: str, *, yes: bool, note: str) -> Json:
    """Return the data of an answer to a hand check."""
    do_step(rebuild, Action.ANSWER, step_id, actor)
    return {"step": step_id, "yes": yes, "note": note.strip()}


def skip(rebuild: Rebuild, actor: Actor, step_id: str, reason: str) -> Json:
    """Return the data of a step that cannot be done tonight."""
    do_step(rebuild, Action.SKIP, step_id, actor)
    return {"step": step_id, "reason": _reason(reason)}


def acknowledge(rebuild: Rebuild, actor: Actor, step_id: str) -> Json:
    """Return the data of cautions that were read."""
    permit(rebuild, Action.ACKNOWLEDGE, actor)
    state = find_step(rebuild, step_id)
    if not state.cautions:
        raise RefusedError("nothing-there", f"'{step_id}' has no caution to be acknowledged")
    return {"step": step_id, "parts": [part for part, _ in state.cautions]}


def replace_part(rebuild: Rebuild, actor: Actor, item: str, *, count: int, reason: str) -> Json:
    """Return the data of a part that was replaced from the wear kit."""
    permit(rebuild, Action.REPLACE, actor)
    known = [wear.id for wear in rebuild.plan.wear]
    if item not in known:
        allowed = ", ".join(known) or "none: the plan names no part that wears"
        raise UsageError(f"there is no part '{item}' in the wear kit; allowed: {allowed}")
    if count < 1:
        raise UsageError(f"{count} parts cannot be replaced; allowed: 1 or more")
    return {"item": item, "count": count, "reason": _reason(reason)}


def hand_in(rebuild: Rebuild, actor: Actor) -> Json:
    """Return the data of handing in: all steps before start-up are answered.

    What is held may be handed in: a manager or supervisor looks at it.
    """
    permit(rebuild, Action.HAND_IN, actor)
    missing = [s for s in rebuild.in_phase_group(start_up=False) if not s.answered]
    if missing:
        raise RefusedError("not-done", f"not done yet: {_listed(s.step.id for s in missing)}")
    return {"open_holds": [hold.id for hold in rebuild.open_holds]}


def clear(rebuild: Rebuild, actor: Actor, hold_id: str, result: ClearedAs, reason: str) -> Json:
    """Return the data of a hold that was looked at and is lifted."""
    permit(rebuild, Action.CLEAR, actor)
    hold = rebuild.hold(hold_id)
    if hold is None:
        allowed = ", ".join(h.id for h in rebuild.open_holds) or "none: nothing is held"
        raise UsageError(f"there is no hold '{hold_id}'; allowed: {allowed}")
    if hold.cleared is not None:
        raise RefusedError("cleared", f"'{hold_id}' was cleared before, by {hold.cleared.by}")
    return {"hold": hold_id, "step": hold.step, "as": result.value, "reason": _reason(reason)}


def send_back(rebuild: Rebuild, actor: Actor, step_ids: Sequence[str], reason: str) -> Json:
    """Return the data of steps that have to be done again."""
    permit(rebuild, Action.SEND_BACK, actor)
    return _again(rebuild, step_ids, reason)


def _again(rebuild: Rebuild, step_ids: Sequence[str], reason: str) -> Json:
    if not step_ids:
        raise UsageError("say which steps are to be done again")
    for step_id in step_ids:
        find_step(rebuild, step_id)
    named = frozenset(step_ids)
    held = [hold.id for hold in rebuild.open_holds if hold.step in named]
    again = rebuild.plan.reopened_with(named)
    return {
        "steps": [i for i in rebuild.plan.ids if i in named],
        "reopens": [i for i in rebuild.plan.ids if i in again],
        "real": held,
        "reason": _reason(reason),
    }


def release(rebuild: Rebuild, actor: Actor, meaning: str) -> Json:
    """Return the data of a release for start-up."""
    permit(rebuild, Action.RELEASE, actor)
    _require_clear(rebuild, start_up=False)
    return _signed(rebuild, actor, meaning)


def emergency_release(rebuild: Rebuild, actor: Actor, at: datetime, reason: str) -> Json:
    """Return the data of a release by a manager because nobody answered in time."""
    permit(rebuild, Action.EMERGENCY_RELEASE, actor)
    _require_clear(rebuild, start_up=False)
    wait = timedelta(minutes=rebuild.settings.get("wait_minutes", WAIT_MINUTES))
    since = rebuild.handed_in_at
    if since is None or at < since + wait:
        until = "" if since is None else f" (until {(since + wait):%H:%M} UTC)"
        raise RefusedError(
            "too-soon",
            f"a supervisor has {wait.total_seconds() / 60:.0f} minutes to answer{until}; "
            "call one, or a deputy, first",
        )
    meaning = "Released for start-up because no supervisor answered."
    return {**_signed(rebuild, actor, meaning), "reason": _reason(reason)}


def _signed(rebuild: Rebuild, actor: Actor, meaning: str) -> Json:
    """Return what a signature shows: name, meaning, and what was looked at (21 CFR 11.50)."""
    cleared = [h.id for s in rebuild.steps for h in s.holds if h.cleared is not None]
    return {
        "name": actor.name,
        "deputy": actor.deputy,
        "meaning": meaning,
        "photos": list(rebuild.photos),
        "cleared": cleared,
    }


def countersign(rebuild: Rebuild, actor: Actor, note: str) -> Json:
    """Return the data of a supervisor's look at an emergency release."""
    permit(rebuild, Action.COUNTERSIGN, actor)
    if not rebuild.emergency or rebuild.countersigned:
        raise RefusedError("nothing-there", "there is no emergency release to be looked at")
    if actor.id == rebuild.released_by:
        raise RefusedError("own-work", f"{actor.name} made this release; another one has to look")
    return {"name": actor.name, "note": note.strip()}


def put_in_use(rebuild: Rebuild, actor: Actor) -> Json:
    """Return the data of the end of start-up: product may be served."""
    permit(rebuild, Action.PUT_IN_USE, actor)
    _require_clear(rebuild, start_up=True)
    return {}


def leak(
    rebuild: Rebuild,
    actor: Actor,
    where: str,
    step_id: str | None,
    note: str,
    *,
    late: bool = False,
) -> Json:
    """Return the data of a leak found after the start, tied to the photos that had passed.

    One that is told ``late``, when a newer rebuild has begun, stops nothing: it is only counted.
    """
    permit(rebuild, Action.LATE_LEAK if late else Action.LEAK, actor)
    state = None if step_id is None else find_step(rebuild, step_id)
    return {
        "where": _reason(where, "say where it leaks"),
        "step": step_id,
        "note": note.strip(),
        "miss": whose_miss(state).value,
        "photos": list(rebuild.photos),
    }


def whose_miss(state: StepState | None) -> Miss:
    """Say who overlooked what leaked at a step: a photo that passed, or a person's word."""
    if state is None or state.entry is None:
        return Miss.NOT_KNOWN
    if state.kind is not Action.PHOTO:
        return Miss.PERSON
    parts = (hold for hold in state.holds if hold.why is HoldReason.PART)
    return Miss.PERSON if any(hold.cleared for hold in parts) else Miss.TOOL


def out_of_service(rebuild: Rebuild, actor: Actor, reason: str) -> Json:
    """Return the data of a machine that must not be used."""
    permit(rebuild, Action.OUT_OF_SERVICE, actor)
    return {"reason": _reason(reason)}


def return_to_work(rebuild: Rebuild, actor: Actor, step_ids: Sequence[str], reason: str) -> Json:
    """Return the data of a machine that is mended: what has to be done again."""
    permit(rebuild, Action.RETURN, actor)
    return _again(rebuild, step_ids, reason)


def give_up(rebuild: Rebuild, actor: Actor, reason: str) -> Json:
    """Return the data of a rebuild that is not going to be finished."""
    permit(rebuild, Action.GIVE_UP, actor)
    return {"reason": _reason(reason)}


def _require_clear(rebuild: Rebuild, *, start_up: bool) -> None:
    group = rebuild.in_phase_group(start_up=start_up)
    missing = [s.step.id for s in group if not s.answered]
    if missing:
        raise RefusedError("not-done", f"not done yet: {_listed(missing)}")
    if rebuild.open_holds:
        held = _listed(hold.id for hold in rebuild.open_holds)
        raise RefusedError(
            "held",
            f"still held: {held}. A manager or supervisor who did not do the rebuild "
            "clears each one with a reason, or sends it back",
        )
    unread = [s.step.id for s in group if s.standing is Standing.TO_ACKNOWLEDGE]
    if unread:
        raise RefusedError("cautions", f"cautions to be acknowledged: {_listed(unread)}")


def _reason(text: str, hint: str = "say why: the reason stays in the record") -> str:
    if not text.strip():
        raise UsageError(hint)
    return text.strip()


def _listed(words: Iterable[str]) -> str:
    return ", ".join(words)
