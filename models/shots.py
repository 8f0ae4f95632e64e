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
