"""A view in words: which parts it shows, and the states they can be in."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class FaultSpec:
    """A wrong state of a part, in the words of machine.toml.

    ``carries`` names the parts that this fault takes away from their places: nobody can vouch
    for them then.
    """

    state: str
    how: str
    fix: str
    turn_deg: float | None = None
    swap_with: str | None = None
    carries: tuple[str, ...] = ()


def missing(fix: str) -> FaultSpec:
    """Return the fault of a part that is not there."""
    return FaultSpec("missing", "absent", fix)


def swapped(state: str, other: str, fix: str) -> FaultSpec:
    """Return the fault of a part in whose place that other part sits."""
    return FaultSpec(state, "swapped", fix, swap_with=other)


@dataclass(frozen=True)
class PartSpec:
    """A part to be judged."""

    id: str
    title: str
    expect: str
    faults: tuple[FaultSpec, ...]
    alike: str | None = None
    symmetry: tuple[str, ...] = ()


@dataclass(frozen=True)
class ViewSpec:
    """A view of one machine."""

    id: str
    title: str
    ask: str
    parts: tuple[PartSpec, ...]

    def part(self, part_id: str) -> PartSpec:
        return next(part for part in self.parts if part.id == part_id)

    def carried(self, states: Mapping[str, str]) -> tuple[str, ...]:
        """Return the parts that wrong ones take away from their places."""
        return tuple(
            other
            for part_id, state in states.items()
            for fault in self.part(part_id).faults
            if fault.state == state
            for other in fault.carries
        )
