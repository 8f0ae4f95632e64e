"""The words of the product as frozen values, without any input or output.

Pixel convention, everywhere in the product: pixels count from the centre of the
top-left pixel, x to the right, y down, in the picture as a person sees it.
A point is ``(x, y)``; an outline is a tuple of three or more points.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from types import MappingProxyType

Point = tuple[float, float]
Outline = tuple[Point, ...]


class Severity(StrEnum):
    """What a fault or a doubt on a part does to its photo."""

    STOP = "stop"  # holds the photo
    CAUTION = "caution"  # shown, and to be acknowledged


class How(StrEnum):
    """The kind of change that turns a right part into a faulty one."""

    ABSENT = "absent"
    TURNED = "turned"
    FLIPPED = "flipped"
    SWAPPED = "swapped"
    DISPLACED = "displaced"
    OTHER = "other"


class Symmetry(StrEnum):
    """A change of a part that leaves it right."""

    TURN180 = "turn180"
    ANY_TURN = "any-turn"
    MIRROR = "mirror"


class PartVerdict(StrEnum):
    """What is said of one part in one photo."""

    OK = "ok"
    FAULT = "fault"
    UNSURE = "unsure"  # seen, cannot be told
    UNSEEN = "unseen"  # cut off, covered, glare on it


class PhotoVerdict(StrEnum):
    """What is said of one photo."""

    PASS = "pass"
    HOLD = "hold"
    RETAKE = "retake"


class RetakeReason(StrEnum):
    """Why a photo must be taken again."""

    BLUR = "blur"
    DARK = "dark"
    GLARE = "glare"
    CROPPED = "cropped"
    COVERED = "covered"
    WRONG_VIEW = "wrong-view"
    NOT_FOUND = "not-found"
    UNREADABLE = "unreadable"


UNKNOWN_STATE = "unknown"  # looks like nothing that was taught
DISPLACED_STATE = "displaced"  # the right thing outside its place


@dataclass(frozen=True)
class Text:
    """A text in one language or several.

    Attributes:
        by_language: language code to text; the empty code stands for a text that
            was written without saying its language.
    """

    by_language: Mapping[str, str]

    def get(self, language: str = "en") -> str:
        """Return the text in ``language``, else in English, else in any language.

        Text in ``es`` serves who asks for ``es-MX`` (lookup of RFC 4647, section 3.4).
        """
        texts = self.by_language
        subtags = language.split("-")
        tags = ["-".join(subtags[:n]) for n in range(len(subtags), 0, -1)]
        known = (texts.get(tag) for tag in (*tags, "", "en"))
        return next(filter(None, known), next(iter(texts.values())))

    def __str__(self) -> str:
        return self.get()


@dataclass(frozen=True)
class Fault:
    """A wrong state that a part can be caught in."""

    state: str
    how: How = How.OTHER
    fix: Text | None = None
    turn_deg: float | None = None
    with_part: str | None = None  # for SWAPPED: the part whose right look this is


@dataclass(frozen=True)
class Part:
    """One thing to be judged in a view; ``outline`` is drawn on the view's master."""

    id: str
    title: Text
    outline: Outline
    expect: str
    severity: Severity = Severity.STOP
    alike: str | None = None
    symmetry: frozenset[Symmetry] = frozenset()
    faults: tuple[Fault, ...] = ()

    @property
    def look(self) -> str:
        """What parts that look alike have in common; its own for a part like no other."""
        return self.alike or f"\n{self.id}"  # no word may hold a line break

    def fault(self, state: str) -> Fault | None:
        """Return the taught fault of that state, or None."""
        return next((f for f in self.faults if f.state == state), None)


@dataclass(frozen=True)
class Shot:
    """A reference shot. ``states`` names the parts that are NOT as they should be."""

    file: str  # as written, relative to the machine folder
    states: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    unlabelled: frozenset[str] = frozenset()


@dataclass(frozen=True)
class View:
    """One thing to photograph. ``shots`` excludes the master."""

    id: str
    title: Text
    ask: Text
    master: str  # file, relative to the machine folder
    size: tuple[int, int]  # width, height of the upright master in pixels
    parts: tuple[Part, ...]
    shots: tuple[Shot, ...] = ()
    mm_per_px: float | None = None
    body: Outline | None = None

    @property
    def all_shots(self) -> tuple[Shot, ...]:
        """The master, as a shot with all parts right, followed by the other shots."""
        return (Shot(self.master), *self.shots)

    def part(self, part_id: str) -> Part:
        """Return the part of that id; KeyError where there is none."""
        for part in self.parts:
            if part.id == part_id:
                return part
        raise KeyError(part_id)


class Phase(StrEnum):
    """The four stretches of a rebuild, in their order."""

    TAKE_APART = "take-apart"
    CLEAN = "clean"
    PUT_BACK = "put-back"
    START_UP = "start-up"  # only after the machine was released


class StepKind(StrEnum):
    """What is done at a step, so that there is something to show for it."""

    PHOTO = "photo"  # of a view
    CHECK = "check"  # a question, answered by hand and eye
    READING = "reading"  # a number from an instrument


class ReadingRule(StrEnum):
    """A rule for a reading that depends on the store's sanitizer and on other readings."""

    STRENGTH = "sanitizer-strength"  # mg/L
    TEMPERATURE = "sanitizer-temperature"  # °C, needs the strength
    CONTACT = "sanitizer-contact"  # s, needs the strength


@dataclass(frozen=True)
class WearItem:
    """A part that wears, looked over and replaced at a step."""

    id: str
    title: Text
    count: int = 1  # on the machine
    every_days: int | None = None  # the longest that one may stay in; None where nobody says


@dataclass(frozen=True)
class Step:
    """One step of the plan of a rebuild. What does not fit its kind is None or empty."""

    id: str
    phase: Phase
    kind: StepKind
    title: Text
    hidden_by: str | None = None  # a later step after which this one can no longer be seen
    view: str | None = None  # photo: what to photograph
    ask: Text | None = None  # check, reading: the question
    why: Text | None = None
    if_not: Text | None = None  # check, reading: what to do about a no or a wrong number
    quantity: Text | None = None  # reading
    unit: str | None = None
    at_least: float | None = None
    at_most: float | None = None
    rule: ReadingRule | None = None
    wear: tuple[WearItem, ...] = ()  # check
    leak: bool = False  # check, in start-up: a no means that the machine leaks


@dataclass(frozen=True)
class Machine:
    """Everything that the tool has been taught about one machine."""

    id: str
    title: Text
    folder: Path
    views: tuple[View, ...]
    steps: tuple[Step, ...] = ()  # the plan of a rebuild, in order

    def view(self, view_id: str) -> View:
        """Return the view of that id; KeyError where there is none."""
        for view in self.views:
            if view.id == view_id:
                return view
        raise KeyError(view_id)


@dataclass(frozen=True)
class LabelledShot:
    """A photo whose truth is known, for measuring."""

    file: str  # as written, relative to the labels file
    path: Path
    view: str
    states: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    unlabelled: frozenset[str] = frozenset()
    retake: RetakeReason | None = None


@dataclass(frozen=True)
class Measure:
    """A number taken from a part."""

    name: str
    value: float
    unit: str


@dataclass(frozen=True)
class Finding:
    """What was found of one part in one photo; None where a number is not known."""

    id: str
    verdict: PartVerdict
    severity: Severity
    expected: str
    found: str | None
    p_right: float | None  # calibrated probability, 0 to 1, that the part is as expected
    outline: Outline | None  # in pixels of the upright photo
    message: str
    fix: str | None = None
    offset_mm: float | None = None
    turn_deg: float | None = None
    measures: tuple[Measure, ...] = ()
    # where a part that is not ok looks least like right shots, in pixels of the upright photo;
    # None where that is not one place
    look_at: tuple[float, float] | None = None


@dataclass(frozen=True)
class Retake:
    """Why, and what to do about it."""

    reason: RetakeReason
    advice: str


@dataclass(frozen=True)
class MadeBy:
    """What made a result, so that it can be shown again and re-judged."""

    verify: str
    machine: str  # SHA-256 of the machine folder's content
    model: str  # SHA-256 of the networks


@dataclass(frozen=True)
class Timing:
    """Milliseconds spent in each stage."""

    read: float
    align: float
    locate: float
    judge: float
    total: float


@dataclass(frozen=True)
class Result:
    """The verdict on one photo. ``photo`` is the path as it was given."""

    photo: str
    sha256: str | None  # of the file's bytes
    machine: str
    view: str | None
    verdict: PhotoVerdict
    retake: Retake | None
    parts: tuple[Finding, ...]
    made_by: MadeBy
    ms: Timing
    marked: str | None = None


def photo_verdict(parts: Iterable[Finding], *, refused: bool = False) -> PhotoVerdict:
    """Return the verdict on a photo from its parts; the first that fits.

    Args:
        parts: what was found of each part; it may be empty.
        refused: the photo as a whole cannot be judged.
    """
    stop = {part.verdict for part in parts if part.severity is Severity.STOP}
    if PartVerdict.FAULT in stop:
        return PhotoVerdict.HOLD
    if refused or PartVerdict.UNSEEN in stop:
        return PhotoVerdict.RETAKE
    return PhotoVerdict.HOLD if PartVerdict.UNSURE in stop else PhotoVerdict.PASS


_URGENCY = {
    (Severity.STOP, PartVerdict.FAULT): 0,
    (Severity.STOP, PartVerdict.UNSURE): 1,
    (Severity.STOP, PartVerdict.UNSEEN): 2,
    (Severity.CAUTION, PartVerdict.FAULT): 3,
    (Severity.CAUTION, PartVerdict.UNSURE): 4,
    (Severity.CAUTION, PartVerdict.UNSEEN): 5,
}


def by_urgency(parts: Iterable[Finding]) -> tuple[tuple[Finding, ...], tuple[Finding, ...]]:
    """Return the parts that need a look, most urgent first, and the right ones.

    Wherever parts are numbered, those that need a look have the numbers 1, 2, ... in this
    order, so that a number means the same in the terminal, on a page and on a marked photo.
    """
    every = tuple(parts)
    problems = [part for part in every if part.verdict is not PartVerdict.OK]
    problems.sort(key=lambda part: _URGENCY[part.severity, part.verdict])
    return tuple(problems), tuple(part for part in every if part.verdict is PartVerdict.OK)
