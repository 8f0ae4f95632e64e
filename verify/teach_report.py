"""What teaching a machine found out: how well the states of each part can be told apart."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from enum import StrEnum
from typing import Any

FORMAT = 1


class Because(StrEnum):
    """Why one more shot of a state would help most."""

    FEW_RIGHT = "few-right"  # hardly any shot shows the part right
    TAKEN_WRONGLY = "taken-wrongly"  # the state is most often taken for another one
    FEW = "few"  # hardly any shot shows the state


@dataclass(frozen=True)
class Wanted:
    """The shot that would help most: of which state, and why."""

    state: str
    because: Because

    def __str__(self) -> str:
        words = self.state.replace("-", " ")
        if self.because is Because.FEW_RIGHT:
            return f"Add a shot with it {words}, under another light."
        if self.because is Because.TAKEN_WRONGLY:
            return f"Add a shot with it {words}: it is the one most often taken wrongly."
        return f"Add a shot with it {words}."


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
        wanted: the same, to be said in another language.
    """

    part: str
    states: tuple[StateCheck, ...]
    separability: float | None
    told_apart: bool
    advice: str | None
    wanted: Wanted | None = None


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


def report_from_json(plain: Mapping[str, Any]) -> TeachReport:
    """Return the report that ``report_to_json`` wrote.

    Raises:
        ValueError, KeyError, TypeError: it is none, or of another format.
    """
    if plain["format"] != FORMAT:
        raise ValueError(f"a report of format {plain['format']}; known: {FORMAT}")
    return TeachReport(plain["machine"], tuple(_view(view) for view in plain["views"]))


def _view(plain: Mapping[str, Any]) -> ViewCheck:
    parts = tuple(_part(part) for part in plain["parts"])
    return ViewCheck(plain["view"], plain["shots"], tuple(plain["left_out"]), parts)


def _part(plain: Mapping[str, Any]) -> PartCheck:
    wanted = plain["wanted"]
    return PartCheck(
        part=plain["part"],
        states=tuple(StateCheck(**state) for state in plain["states"]),
        separability=plain["separability"],
        told_apart=plain["told_apart"],
        advice=plain["advice"],
        wanted=Wanted(wanted["state"], Because(wanted["because"])) if wanted else None,
    )
