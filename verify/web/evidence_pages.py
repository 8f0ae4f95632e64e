"""What the pages of a supervisor show, as typed values."""

from __future__ import annotations

from dataclasses import dataclass

from verify.web.crew_pages import Advice, Told


@dataclass(frozen=True)
class Waiting:
    """One rebuild that waits for somebody."""

    url: str
    machine: str
    store: str
    state: str
    tone: str
    since: str
    waited: str
    held: int
    mine: bool
    told: tuple[Told, ...]


@dataclass(frozen=True)
class WaitingPage:
    """Everything that waits, the oldest first, and what else needs somebody."""

    waiting: tuple[Waiting, ...]
    others: tuple[Waiting, ...]


@dataclass(frozen=True)
class HoldLine:
    """One thing that is or was held.

    Attributes:
        part, reference: cut-outs of the photo and of the master; empty where there are none.
        cleared: who lifted it, as what and why; empty while it is held.
    """

    id: str
    step: str
    message: str
    part: str
    reference: str
    cleared: str


@dataclass(frozen=True)
class PhotoCard:
    """A photo that counts, beside its reference."""

    title: str
    verdict: str
    headline: str
    picture: str
    plain: str
    reference: str
    advice: tuple[Advice, ...]
    by: str
    tries: int


@dataclass(frozen=True)
class CheckLine:
    """A hand check, a reading or a step left out."""

    phase: str
    title: str
    answer: str
    right: bool
    by: str
    tries: int


@dataclass(frozen=True)
class EntryLine:
    """One entry of the record."""

    n: int
    when: str
    by: str
    what: str


@dataclass(frozen=True)
class EvidencePage:
    """One page to decide on.

    Attributes:
        told: who was told by a message that it waits, or could not be.
        blocked: why it cannot be released now by this person; empty where it can.
        may: what this person may try now, as the words of actions.
        problem: what went wrong with the last try; empty otherwise.
        head: SHA-256 of the last entry.
    """

    id: str
    machine: str
    number: str
    store: str
    day: str
    state: str
    tone: str
    reason: str
    waited: str
    told: tuple[Told, ...]
    doers: tuple[str, ...]
    released: str
    open_holds: tuple[HoldLine, ...]
    cleared: tuple[HoldLine, ...]
    photos: tuple[PhotoCard, ...]
    checks: tuple[CheckLine, ...]
    replaced: tuple[str, ...]
    leaks: tuple[str, ...]
    record: tuple[EntryLine, ...]
    steps: tuple[tuple[str, str, bool], ...]  # id, title, held
    may: frozenset[str]
    blocked: str
    problem: str
    head: str
    key: str
