"""What is said of the parts in a shot: the same words in a machine folder and a labelled set."""

from __future__ import annotations

from verify.domain import UNKNOWN_STATE, View
from verify.machine_file.table import Table


def read_said(
    table: Table, view: View | None, *, also: frozenset[str] = frozenset()
) -> tuple[dict[str, str], frozenset[str]]:
    """Return ``states`` (part to state) and ``unlabelled`` of a shot; both are optional.

    Args:
        table: the shot.
        view: the view whose parts and states are known; None where they are not known.
        also: states that every part can be in without being taught.
    """
    states = table.states()
    unlabelled = table.words("unlabelled", _part_ids(view), "parts of this view")
    for part, state in states.items():
        if part in unlabelled:
            table.problem(
                ("states", part), "is said of a part that is also in 'unlabelled'", "one of the two"
            )
        if view is None:
            if state == UNKNOWN_STATE or not state.strip():
                table.problem(("states", part), "is not a state", "the name of a state")
        else:
            _check_state(table, view, part, state, also)
    return states, unlabelled


def _part_ids(view: View | None) -> list[str] | None:
    return None if view is None else [part.id for part in view.parts]


def _check_state(table: Table, view: View, part_id: str, state: str, also: frozenset[str]) -> None:
    part = next((part for part in view.parts if part.id == part_id), None)
    if part is None:
        rule = "is said of a part that this view does not have"
        table.problem(("states", part_id), rule, ", ".join(_part_ids(view) or ()))
        return
    faults = [fault.state for fault in part.faults]
    known = (
        ", ".join(f'"{name}"' for name in faults) or "none: this part has no [[view.part.fault]]"
    )
    if state == part.expect:
        rule = "is the state that the part must be in; leave the part out of 'states'"
        table.problem(("states", part_id), rule, known)
    elif state not in faults and state not in also:
        table.problem(("states", part_id), "is not a fault of this part", known)
