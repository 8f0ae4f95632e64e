"""A machine taught with fewer shots than its folder holds, for measuring what shots are worth."""

from __future__ import annotations

from dataclasses import replace

from verify.domain import Machine, Shot, View


def right_shots(machine: Machine, count: int) -> Machine:
    """Return the machine taught with ``count`` right shots of each view and no fault.

    The master is the first of them. A view with fewer right shots keeps what it has. What was
    learnt must not be kept in a cache: the folder's content says nothing of the choice.

    Raises:
        ValueError: ``count`` is below 1.
    """
    if count < 1:
        raise ValueError(f"needs at least the master, not {count} shots")
    return replace(machine, views=tuple(_right_shots(view, count) for view in machine.views))


def _right_shots(view: View, count: int) -> View:
    right: list[Shot] = [shot for shot in view.shots if not shot.states]
    return replace(view, shots=tuple(right[: count - 1]))


def half_unshown(machine: Machine, half: int) -> Machine:
    """Return the machine taught as if no shot showed every second wrong state of each part.

    Of parts that look alike the same states are left out. A shot of such a state then says
    nothing of that part.

    Args:
        machine: with shots of wrong states.
        half: 0 or 1; each state is left out of one half.
    """
    return replace(machine, views=tuple(_half_unshown(view, half) for view in machine.views))


def unshown(machine: Machine, half: int) -> frozenset[tuple[str, str, str]]:
    """Return (view, part, state) of what ``half_unshown`` leaves out and shots do show."""
    return frozenset(
        (view.id, part, state)
        for view in machine.views
        for part, state in _left_out(view, half)
        if any(shot.states.get(part) == state for shot in view.shots)
    )


def _half_unshown(view: View, half: int) -> View:
    left_out = _left_out(view, half)

    def told(shot: Shot) -> Shot:
        silent = {part for part, state in shot.states.items() if (part, state) in left_out}
        states = {part: state for part, state in shot.states.items() if part not in silent}
        return replace(shot, states=states, unlabelled=shot.unlabelled | silent)

    return replace(view, shots=tuple(told(shot) for shot in view.shots))


def _left_out(view: View, half: int) -> set[tuple[str, str]]:
    """Return (part, state) of every second state, by the parts' names for what they look like."""
    states: dict[str, set[str]] = {}
    for part in view.parts:
        shown = {shot.states[part.id] for shot in view.shots if part.id in shot.states}
        states.setdefault(part.look, set()).update(shown)
    chosen = {group: set(sorted(names)[half::2]) for group, names in states.items()}
    return {
        (part.id, state)
        for part in view.parts
        for state in chosen[part.look]
    }  # fmt: skip
