"""What the pages for setting up a machine show, as typed values."""

from __future__ import annotations

from dataclasses import dataclass

from verify.web.setup_numbers import Numbers
from verify.web.workshop import Attempt

Choices = tuple[tuple[str, str], ...]  # value and words


@dataclass(frozen=True)
class KnownLine:
    """A machine that crews use.

    Attributes:
        picture: of its first view; empty where its folder is broken.
        stores: that it may be copied to.
    """

    id: str
    title: str
    store: str
    number: str
    picture: str
    marker: str
    views: int
    parts: int
    stores: Choices


@dataclass(frozen=True)
class DraftLine:
    """A machine that is being set up."""

    id: str
    title: str
    store: str
    when: str
    by: str
    changes: bool


@dataclass(frozen=True)
class MachinesPage:
    """All machines of a person's stores, and those that are being set up."""

    machines: tuple[KnownLine, ...]
    drafts: tuple[DraftLine, ...]
    stores: Choices
    used: str  # title of the machine that was just put into use; empty for none


@dataclass(frozen=True)
class StickerPage:
    """The sticker of a machine. ``marker`` is empty while it has none."""

    machine: str
    title: str
    number: str
    store: str
    marker: str
    sizes: tuple[int, ...]  # mm, the black square


@dataclass(frozen=True)
class Shape:
    """One outline over a picture. ``kind`` is ``body``, ``part`` or ``unsure``."""

    points: str
    kind: str
    title: str


@dataclass(frozen=True)
class ViewCard:
    """A view of a draft.

    Attributes:
        picture: empty while it has no photo.
        unnamed: titles of parts that are still called by a number.
    """

    id: str
    title: str
    ask: str
    url: str
    picture: str
    size: tuple[int, int]
    shapes: tuple[Shape, ...]
    parts: int
    shots: int
    to_check: bool
    unnamed: tuple[str, ...]


@dataclass(frozen=True)
class SetupPage:
    """A machine that is being set up.

    Attributes:
        lacks: what is still needed: words, title of the view, address where it is done.
        attempt: the last try; None for none.
        stale: True where something was changed since it was tried.
        alike, wanting: how many parts look like their faults to the tool, and how many another
            photo would help.
        fixed: True where views are neither added nor taken out here.
        problem: what went wrong with the last thing; empty otherwise.
    """

    url: str
    title: str
    store: str
    number: str
    changes: bool
    copied_from: str
    views: tuple[ViewCard, ...]
    lacks: tuple[tuple[str, str, str], ...]
    attempt: Attempt | None
    stale: bool
    alike: int
    wanting: int
    fixed: bool
    problem: str


@dataclass(frozen=True)
class PartLine:
    """A part in the list beside the picture."""

    id: str
    title: str
    url: str
    words: str
    unsure: bool


@dataclass(frozen=True)
class DrawPage:
    """A view: its photo, and what is drawn on it.

    Attributes:
        drawing: for the script, as JSON.
        example: picture of the same view of the machine that it is copied from.
        targets: what numbers may be typed for: value and words.
        numbers: of all outlines.
        typed: what stands in the form for numbers; ``typing`` is True where it is wanted.
    """

    setup: str
    url: str
    machine: str
    view: ViewCard
    parts: tuple[PartLine, ...]
    drawing: str
    example: str
    targets: Choices
    numbers: tuple[Numbers, ...]
    typed: Numbers
    typing: bool
    next_url: str
    fixed: bool
    problem: str


@dataclass(frozen=True)
class FaultLine:
    """A way in which a part can be wrong, to be ticked."""

    state: str
    words: str
    ticked: bool
    fix: str


@dataclass(frozen=True)
class PartPage:
    """The words of a part."""

    setup: str
    view_url: str
    url: str
    machine: str
    view: str
    title: str
    picture: str
    expect: str
    expects: Choices
    own_expect: str
    stop: bool
    faults: tuple[FaultLine, ...]
    mixed_up: Choices
    mixed_with: tuple[str, ...]
    hows: Choices
    symmetries: tuple[tuple[str, str, bool], ...]
    alike: str
    others: Choices
    problem: str


@dataclass(frozen=True)
class ShotCard:
    """A reference shot and what it shows.

    Attributes:
        shows: in a few words.
        said: False while nobody has said what it shows.
        open_parts: how many parts nobody vouches for in it.
        rows: for each part its id, title, the chosen value and the choices.
    """

    number: int
    file: str
    picture: str
    shows: str
    right: bool
    said: bool
    open_parts: int
    rows: tuple[tuple[str, str, str, Choices], ...]


@dataclass(frozen=True)
class ShotsPage:
    """The reference shots of a view; ``picture`` is the master."""

    setup: str
    url: str
    machine: str
    title: str
    picture: str
    shots: tuple[ShotCard, ...]
    opened: str  # file of the shot whose form is open
    problem: str


@dataclass(frozen=True)
class CheckLine:
    """What a try found out about one part. ``states``: words, shots, how many were told."""

    title: str
    url: str
    states: tuple[tuple[str, int, str], ...]
    apart: bool
    advice: str


@dataclass(frozen=True)
class CheckedView:
    """What a try found out about one view. ``left_out``: shots that teach nothing."""

    title: str
    shots_url: str
    left_out: tuple[str, ...]
    parts: tuple[CheckLine, ...]

    @property
    def wanting(self) -> bool:
        """True where something would help: a shot, or another one."""
        return bool(self.left_out) or any(p.advice or not p.apart for p in self.parts)


@dataclass(frozen=True)
class AdvicePage:
    """What a try found out."""

    setup: str
    machine: str
    attempt: Attempt | None
    stale: bool
    views: tuple[CheckedView, ...]
