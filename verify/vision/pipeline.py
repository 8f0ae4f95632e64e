"""From a photo to a verdict: read, align, locate, judge, say it."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from .. import __version__
from ..domain import (
    Machine,
    MadeBy,
    PhotoVerdict,
    Result,
    Retake,
    RetakeReason,
    Timing,
)
from ..errors import PhotoError, UsageError
from . import align, assess, quality
from .align import Placement
from .assess import Judged
from .finding import Found, PhotoTokens, describe_photo, find
from .frame import U8, Levels
from .judge import Answer, load_calibration
from .network import Networks
from .prepare import READ_SIDE, teach_machine
from .read import Photo, read_photo
from .taught import TaughtView

# Views whose master matches a photo likeliest, that are looked at before all others. Of 588 photos
# (tune, calibrate and drawn ones of the demo machines) as many views are found as with all of them.
LIKELIEST = 2


@dataclass(frozen=True)
class Checked:
    """A result and, where it was asked for, the picture that it was made from.

    Attributes:
        result: outlines are in pixels of the full upright photo.
        picture: (H, W, 3) BGR, upright, as judged; None where not kept or unreadable.
        picture_scale: pixels of ``picture`` per pixel of the full photo.
        answers: by part, what its probability was worked out from; none of unseen parts.
    """

    result: Result
    picture: U8 | None
    picture_scale: float
    answers: Mapping[str, Answer] = field(default_factory=dict)


class Checker:
    """One machine, taught and ready. May be shared between threads: nothing in it changes."""

    def __init__(
        self,
        machine: Machine,
        *,
        cache_dir: Path | None = None,
        progress: Callable[[str], None] | None = None,
        threads: int | None = None,
    ) -> None:
        """Teach the machine, or take what was learnt from the cache.

        Args:
            machine: from ``read_machine``.
            cache_dir: where teaching is kept; None keeps nothing.
            progress: told what is being looked at while teaching.
            threads: cores for the networks; None lets the runtime decide.

        Raises:
            ModelError: the networks are absent or damaged.
            TeachError: the machine cannot be taught.
        """
        self.machine = machine
        self.networks = Networks(threads=threads or 0)
        self.calibration = load_calibration(self.networks.folder / "calibration.json")
        self.taught = teach_machine(machine, self.networks, cache_dir, progress)
        self.made_by = MadeBy(__version__, self.taught.digest, self.networks.sha256)

    def check(
        self,
        photo: Path,
        *,
        given_name: str | None = None,
        view: str | None = None,
        keep_picture: bool = False,
    ) -> Checked:
        """Judge one photo.

        Args:
            photo: the file.
            given_name: how the photo was named by the caller; the path by default.
            view: id of the view it should show; None: recognise it.
            keep_picture: keep the picture for drawing.

        Raises:
            UsageError: there is no such view.
        """
        self._known_view(view)
        started = time.perf_counter()
        name = given_name or str(photo)
        try:
            picture = read_photo(photo, max_side=READ_SIDE)
        except PhotoError as error:
            took = (time.perf_counter() - started) * 1000
            return Checked(self._unreadable(name, photo, view, error, took), None, 1.0)
        read = time.perf_counter()
        judged = self._judge(picture, view)
        done = time.perf_counter()
        times = Timing(
            read=(read - started) * 1000,
            align=judged.ms["align"],
            locate=judged.ms["locate"],
            judge=judged.ms["judge"],
            total=(done - started) * 1000,
        )
        result = Result(
            photo=name,
            sha256=picture.sha256,
            machine=self.machine.id,
            view=judged.view,
            verdict=judged.verdict,
            retake=judged.retake,
            parts=judged.findings,
            made_by=self.made_by,
            ms=_rounded(times),
        )
        kept = picture.bgr if keep_picture else None
        return Checked(result, kept, picture.scale, judged.answers)

    def _known_view(self, view: str | None) -> None:
        known = [v.id for v in self.machine.views]
        if view is not None and view not in known:
            raise UsageError(f"there is no view '{view}'; allowed: {', '.join(known)}")

    def _judge(self, picture: Photo, wanted: str | None) -> Judged:
        started = time.perf_counter()
        levels = Levels(picture.bgr)
        tokens = describe_photo(self.networks, levels)
        views = self.taught.views
        if wanted is not None:
            views = tuple(v for v in views if v.layout.view.id == wanted)
        placed = self._best(views, levels, tokens)
        dark = placed is None and quality.bright_level(picture.bgr) < quality.DARK_LEVEL
        if placed is None and wanted is not None and not dark:  # what is dark looks like anything
            rest = tuple(v for v in self.taught.views if v.layout.view.id != wanted)
            other = self._best(rest, levels, tokens)
            if other is not None:
                return self._wrong_view(wanted, other[0], started)
        if placed is None:
            why = RetakeReason.DARK if dark else RetakeReason.NOT_FOUND
            ms = {"align": _since(started), "locate": 0.0, "judge": 0.0}
            return Judged(wanted, PhotoVerdict.RETAKE, quality.retake(why), (), ms)
        view, placement = placed
        aligned = _since(started)
        judged = assess.assess(self.networks, self.calibration, view, placement, picture, levels)
        return replace(judged, ms={**judged.ms, "align": aligned})

    def _best(
        self, views: tuple[TaughtView, ...], photo: Levels, tokens: PhotoTokens
    ) -> tuple[TaughtView, Placement] | None:
        """Return the view that fits best, if any fits.

        By the masters: the views that match likeliest, then the others; then by all anchors.
        """
        asked = [(v, self._found(v, tokens)) for v in views]
        if len(asked) == 1:
            return self._fitting(asked, photo, tokens, thorough=True)
        asked.sort(key=lambda each: -each[1].likeness)
        best: tuple[TaughtView, Placement] | None = None
        for few in (asked[:LIKELIEST], asked[LIKELIEST:]):
            placed = self._fitting(few, photo, tokens, thorough=False)
            if placed is not None and (best is None or placed[1].fit > best[1].fit):
                best = placed
            if best is not None and best[1].fit > align.good_fit(best[0].anchors):
                return best
        return self._fitting(asked, photo, tokens, thorough=True)

    def _found(self, view: TaughtView, tokens: PhotoTokens) -> Found:
        return find(self.networks, view.anchors[0], tokens, view.layout.body_in_crop)

    def _fitting(
        self,
        asked: Sequence[tuple[TaughtView, Found]],
        photo: Levels,
        tokens: PhotoTokens,
        *,
        thorough: bool,
    ) -> tuple[TaughtView, Placement] | None:
        """Return the view that fits best of some; ``thorough``: by all anchors, and turned."""
        best: tuple[TaughtView, Placement] | None = None
        for view, found in asked:
            placement = align.locate_body(
                self.networks, view.anchors if thorough else view.anchors[:1], photo, tokens,
                view.layout.body_in_crop, turned=thorough, good=align.good_fit(view.anchors),
                found=found,
            )  # fmt: skip
            if placement is None or placement.fit < align.FIT_ENOUGH:
                continue
            if best is None or placement.fit > best[1].fit:
                best = (view, placement)
        return best

    def _wrong_view(self, wanted: str, other: TaughtView, started: float) -> Judged:
        words = {
            "other": str(other.layout.view.title),
            "wanted": str(self.machine.view(wanted).title),
        }
        retake = quality.retake(RetakeReason.WRONG_VIEW, **words)
        ms = {"align": _since(started), "locate": 0.0, "judge": 0.0}
        return Judged(wanted, PhotoVerdict.RETAKE, retake, (), ms)

    def _unreadable(
        self, name: str, photo: Path, view: str | None, error: PhotoError, took: float
    ) -> Result:
        return Result(
            photo=name,
            sha256=_digest(photo),
            machine=self.machine.id,
            view=view,
            verdict=PhotoVerdict.RETAKE,
            retake=Retake(RetakeReason.UNREADABLE, str(error)),
            parts=(),
            made_by=self.made_by,
            ms=_rounded(Timing(took, 0.0, 0.0, 0.0, took)),
        )


def _digest(photo: Path) -> str | None:
    """SHA-256 of a file that is no picture; None where it cannot be read at all."""
    import hashlib

    try:
        with photo.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return None


def _since(started: float) -> float:
    return (time.perf_counter() - started) * 1000


def _rounded(times: Timing) -> Timing:
    values = np.round([times.read, times.align, times.locate, times.judge, times.total], 1)
    return Timing(*(float(v) for v in values))
