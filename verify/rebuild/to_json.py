"""A rebuild as a plain object: what ``--json`` prints and what evidence holds."""

from __future__ import annotations

from typing import Any

from verify.rebuild.entries import to_rfc3339
from verify.rebuild.holds import Hold
from verify.rebuild.replay import Leak, Rebuild, StepState

FORMAT = 1

Json = dict[str, Any]


def rebuild_to_json(rebuild: Rebuild) -> Json:
    """Return where a rebuild stands, as plain values; null where something is not known."""
    next_step = rebuild.next_step
    return {
        "format": FORMAT,
        "id": rebuild.id,
        "machine": rebuild.machine,
        "store": rebuild.store,
        "day": rebuild.day.isoformat(),
        "state": rebuild.state.value,
        "reason": rebuild.reason or None,
        "started_at": to_rfc3339(rebuild.started_at),
        "started_by": rebuild.started_by,
        "handed_in_at": _time(rebuild.handed_in_at),
        "released_at": _time(rebuild.released_at),
        "released_by": rebuild.released_by,
        "emergency": rebuild.emergency,
        "countersigned": rebuild.countersigned,
        "doers": sorted(rebuild.doers),
        "next": None if next_step is None else next_step.step.id,
        "steps": [_step(state) for state in rebuild.steps],
        "open_holds": [hold.id for hold in rebuild.open_holds],
        "leaks": [_leak(leak) for leak in rebuild.leaks],
        "replaced": [dict(item) for item in rebuild.replaced],
        "entries": rebuild.entries,
    }


def _step(state: StepState) -> Json:
    return {
        "id": state.step.id,
        "title": str(state.step.title),
        "phase": state.step.phase.value,
        "kind": state.step.kind.value,
        "standing": state.standing.value,
        "tries": state.tries,
        "entry": state.entry,
        "by": state.by or None,
        "at": _time(state.at),
        "holds": [_hold(hold) for hold in state.holds],
        "cautions": [{"part": part, "message": text} for part, text in state.cautions],
        "data": state.data or None,
    }


def _hold(hold: Hold) -> Json:
    look = hold.cleared
    cleared = None
    if look is not None:
        cleared = {
            "by": look.by,
            "at": to_rfc3339(look.at),
            "as": look.result.value,
            "reason": look.reason,
        }
    return {
        "id": hold.id,
        "why": hold.why.value,
        "part": hold.part,
        "message": hold.message,
        "cleared": cleared,
    }


def _leak(leak: Leak) -> Json:
    return {
        "entry": leak.entry,
        "at": to_rfc3339(leak.at),
        "by": leak.by,
        "where": leak.where,
        "miss": leak.miss,
        "photos": list(leak.photos),
    }


def _time(at: Any) -> str | None:
    return None if at is None else to_rfc3339(at)
