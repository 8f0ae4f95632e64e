"""What the pages of a manager show, as typed values."""

from __future__ import annotations

from dataclasses import dataclass

from verify.web.teaching import Trial


@dataclass(frozen=True)
class FlaggedPart:
    """One flagged part, beside its reference.

    Attributes:
        measured: numbers that were taken and are not usual; empty for none.
        part, reference: cut-outs at the same scale; empty where there are none.
        said: the last word on it; empty for none.
        states: what it may be wrong as: id and words; the likely one first.
        held: True while it holds its rebuild.
    """

    rebuild: str
    entry: int
    id: str
    machine: str
    store: str
    title: str
    message: str
    measured: str
    when: str
    by: str
    part: str
    reference: str
    photo: str
    said: str
    said_by: str
    state: str
    states: tuple[tuple[str, str], ...]
    held: bool

    @property
    def url(self) -> str:
        """Where its own pages begin."""
        return f"/rebuild/{self.rebuild}/photo/{self.entry}/part/{self.id}"


@dataclass(frozen=True)
class FlaggedPage:
    """Flagged parts: one to look at, and what was said of the others."""

    now: FlaggedPart | None
    left: int
    last: FlaggedPart | None
    decided: tuple[FlaggedPart, ...]


@dataclass(frozen=True)
class TeachPage:
    """A new reference shot: tried, then used."""

    part: FlaggedPart
    trial: Trial | None
    problem: str
