"""What the pages of the crew show, as typed values."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class MachineCard:
    """One machine tonight.

    Attributes:
        tone: how it is coloured: ``good``, ``doubt``, ``stop`` or ``plain``.
        start: True where a rebuild may be started.
    """

    machine: str
    title: str
    store: str
    number: str
    state: str
    tone: str
    detail: str
    done: int
    total: int
    start: bool
    rebuild: str | None
    picture: str


@dataclass(frozen=True)
class TonightPage:
    """All machines of this person's stores.

    Attributes:
        standing_in: stores in which she stands in for a supervisor now, and until when.
    """

    machines: tuple[MachineCard, ...]
    waiting: int
    flagged: int
    standing_in: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class StepLine:
    """One step in the list of a rebuild."""

    title: str
    url: str
    kind: str
    standing: str
    word: str
    by: str


@dataclass(frozen=True)
class PhaseList:
    """The steps of one phase."""

    title: str
    steps: tuple[StepLine, ...]
    caution: str


@dataclass(frozen=True)
class Told:
    """Who was told that it waits, or was to be. ``tone``: ``good``, ``wait`` or ``stop``."""

    text: str
    tone: str


@dataclass(frozen=True)
class RebuildPage:
    """One rebuild: what is done, what comes next.

    Attributes:
        actions: what may be done now with the whole: ``hand-in``, ``put-in-use``, ``leak``,
            ``out-of-service``.
        waits: True while somebody has to decide; ``told`` says who was told of it.
    """

    id: str
    machine: str
    title: str
    number: str
    day: str
    state: str
    tone: str
    reason: str
    phases: tuple[PhaseList, ...]
    next_title: str
    next_url: str
    actions: frozenset[str]
    held: int
    done: int
    total: int
    evidence: bool
    key: str
    spots: tuple[tuple[str, str], ...]  # steps that a leak may come from: id and title
    waits: bool = False
    told: tuple[Told, ...] = ()


@dataclass(frozen=True)
class Advice:
    """One part that needs a look. ``look`` is the shape of its number: see the style sheet."""

    number: int
    look: str
    text: str
    fix: str


@dataclass(frozen=True)
class Answered:
    """What was last said at a step. ``drawn``: the picture says the headline itself."""

    verdict: str
    headline: str
    picture: str
    drawn: bool
    advice: tuple[Advice, ...]
    text: str
    right: int
    parts: int
    by: str
    when: str


@dataclass(frozen=True)
class Example:
    """A reference shot to learn from. Nothing is wrong in it where ``wrong`` is empty."""

    url: str
    wrong: str


@dataclass(frozen=True)
class Wear:
    """A part that may be replaced at a step.

    Attributes:
        replaced: how many were, in this rebuild.
        lacked: how many more than the kit listed then; above 0, the spares are to be counted.
    """

    id: str
    title: str
    stock: int
    due: str
    replaced: int
    lacked: int


@dataclass(frozen=True)
class Reference:
    """How it looks when it is right.

    Attributes:
        picture: of the master; empty where the step has no view.
        size: of the master in pixels, width and height.
        outlines: of the parts on it, as the points of SVG polygons.
        examples: wrong shots to learn from.
    """

    picture: str = ""
    size: tuple[int, int] = (4, 3)
    outlines: tuple[str, ...] = ()
    examples: tuple[Example, ...] = ()


@dataclass(frozen=True)
class Place:
    """Where a step stands among the others.

    Attributes:
        after_url: where to go on, past this step.
        offline_url: where to go on while what was done here waits on the phone.
    """

    number: int
    total: int
    before_url: str
    after_url: str
    after_title: str
    offline_url: str


@dataclass(frozen=True)
class StepPage:
    """One step.

    Attributes:
        open: False where nothing can be done at it; ``closed`` says why, or why not yet.
        holds: what is held here, in sentences.
        to_read: cautions to be acknowledged.
        units: units to choose from, the usual one first.
        key: comes back with whatever is sent, so that nothing counts twice.
    """

    rebuild: str
    machine: str
    id: str
    kind: str
    title: str
    ask: str
    why: str
    if_not: str
    phase: str
    cautions: tuple[str, ...]
    open: bool
    closed: str
    standing: str
    answered: Answered | None
    holds: tuple[str, ...]
    to_read: tuple[str, ...]
    reference: Reference
    place: Place
    units: tuple[str, ...]
    quantity: str
    limits: str
    wear: tuple[Wear, ...]
    tries: int
    key: str
