"""What teaching a machine found out: how well the states of each part can be told apart."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

FORMAT = 1


@dataclass(frozen=True)
class StateCheck:
    """One state of one part, as the reference shots teach it.

    Attributes:
        state: the right state or a wrong one.
        shots: reference shots that show it.
        told: left-out shots that were taken for what they are; each shot is judged by a
            machine that was taught without it.
        tried: left-out shots that could be judged; 0 where there are too few to leave one out.
    """

    state: str
    shots: int
    told: int
    tried: int


@dataclass(frozen=True)
class PartCheck:
    """One part of one view.

    Attributes:
        separability: probability, 0 to 1, that a left-out right shot looks more right than a
            wrong one (a tie counts half); None where there are not both to compare.
        told_apart: False where its states look alike to the tool.
        advice: which extra shot would help most; None where none is needed.
    """

    part: str
    states: tuple[StateCheck, ...]
    separability: float | None
    told_apart: bool
    advice: str | None


@dataclass(frozen=True)
class ViewCheck:
    """One view.

    Attributes:
        shots: reference shots that taught it, the master among them.
        left_out: shots in which the body was not found; they teach nothing.
    """

    view: str
    shots: int
    left_out: tuple[str, ...]
    parts: tuple[PartCheck, ...]


@dataclass(frozen=True)
class TeachReport:
    """A machine that can be used; one that cannot be is an error instead."""

    machine: str
    views: tuple[ViewCheck, ...]

    @property
    def not_told_apart(self) -> tuple[tuple[str, str], ...]:
        """View and part of every part whose states cannot be told apart."""
        return tuple(
            (view.view, part.part)
            for view in self.views
            for part in view.parts
            if not part.told_apart
        )


def report_to_json(report: TeachReport) -> dict[str, Any]:
    """Return the report as objects, lists, numbers and texts, ready for ``json.dumps``."""
    return {
        "format": FORMAT,
        "machine": report.machine,
        "usable": True,
        "not_told_apart": [{"view": v, "part": p} for v, p in report.not_told_apart],
        "views": [asdict(view) for view in report.views],
    }
