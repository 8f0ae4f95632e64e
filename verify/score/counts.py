"""Counts of what was judged rightly and wrongly, from labels and results."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from verify.domain import (
    Finding,
    LabelledShot,
    PartVerdict,
    PhotoVerdict,
    Result,
    Severity,
    photo_verdict,
)
from verify.score.proportion import Proportion


@dataclass(frozen=True)
class JudgedPart:
    """One labelled part in one judgeable photo.

    Attributes:
        truth: the wrong state that it is in; None where it is right.
        finding: what the result says of it; None where the result does not name it.
        refused: the photo was answered with a retake, so nothing counts as judged.
        passed: the photo as a whole passed.
    """

    photo: str
    view: str
    part: str
    truth: str | None
    finding: Finding | None
    refused: bool
    passed: bool

    @property
    def missed(self) -> bool:
        """A wrong part that was let through as right."""
        if self.truth is None or self.refused:
            return False
        # A wrong part that the result does not even name is let through with its photo.
        return self.passed if self.finding is None else self.finding.verdict is PartVerdict.OK

    @property
    def named(self) -> bool:
        """A wrong part whose state was found."""
        return (
            self.truth is not None
            and self.finding is not None
            and (self.finding.found == self.truth)
        )

    @property
    def false_alarm(self) -> bool:
        """A right part that was not called right."""
        return (
            self.truth is None
            and self.finding is not None
            and (self.finding.verdict is not PartVerdict.OK)
        )


@dataclass(frozen=True)
class JudgedPhoto:
    """One labelled photo; ``verdict`` is without the parts that nobody vouches for."""

    label: LabelledShot
    result: Result
    verdict: PhotoVerdict
    parts: tuple[JudgedPart, ...]

    @property
    def judgeable(self) -> bool:
        """Whether it is one that need not be taken again."""
        return self.label.retake is None

    @property
    def holds_stop_fault(self) -> bool:
        """Whether a wrong part in it should have held it."""
        return any(
            part.truth is not None
            and (part.finding is None or part.finding.severity is Severity.STOP)
            for part in self.parts
        )


@dataclass(frozen=True)
class PartCounts:
    """Counts over parts of judgeable photos that were not answered with a retake.

    Attributes:
        missed: wrong parts called right, of all wrong parts.
        named: wrong parts whose ``found`` is their true state, of all wrong parts.
        false_alarm: right parts called anything else, of all right parts.
        not_judged: wrong parts in photos that were answered with a retake: neither caught
            nor missed.
    """

    missed: Proportion
    named: Proportion
    false_alarm: Proportion
    not_judged: int


@dataclass(frozen=True)
class PhotoCounts:
    """Counts over photos.

    Attributes:
        false_hold: photos with all parts right that did not pass (a retake counts), of all
            judgeable photos with all parts right.
        wrong_passed: photos that passed with a wrong part in them that should have held
            them, of all such photos that were not answered with a retake.
        refused: judgeable photos answered with a retake, of all judgeable photos.
        refused_rightly: photos that cannot be judged and were answered with a retake, of
            all that cannot be judged.
        reason_named: those whose reason is the labelled one, of all refused rightly.
        unjudgeable_passed: photos that cannot be judged and passed, of all of them.
    """

    false_hold: Proportion
    wrong_passed: Proportion
    refused: Proportion
    refused_rightly: Proportion
    reason_named: Proportion
    unjudgeable_passed: Proportion


def verdict_without(result: Result, unlabelled: frozenset[str]) -> PhotoVerdict:
    """Return the photo's verdict as it is without the parts that nobody vouches for."""
    left_out = [part for part in result.parts if part.id in unlabelled]
    if not left_out:
        return result.verdict
    kept = [part for part in result.parts if part.id not in unlabelled]
    # A retake may stem from a part that is left out; else the photo as a whole was refused.
    from_part = any(
        part.verdict is PartVerdict.UNSEEN and part.severity is Severity.STOP for part in left_out
    )
    refused = result.verdict is PhotoVerdict.RETAKE and not from_part
    return photo_verdict(kept, refused=refused)


def judge_photo(label: LabelledShot, result: Result) -> JudgedPhoto:
    """Hold one result against its label."""
    verdict = verdict_without(result, label.unlabelled)
    if label.retake is not None:
        return JudgedPhoto(label, result, verdict, ())
    found = {part.id: part for part in result.parts if part.id not in label.unlabelled}
    # A view taken for another one names other parts: the labelled ones count all the same.
    ids = (
        list(dict.fromkeys([*found, *label.states]))
        if _same_view(label, result)
        else [*label.states]
    )
    parts = tuple(
        JudgedPart(
            photo=label.file,
            view=label.view,
            part=part_id,
            truth=label.states.get(part_id),
            finding=found.get(part_id) if _same_view(label, result) else None,
            refused=verdict is PhotoVerdict.RETAKE,
            passed=verdict is PhotoVerdict.PASS,
        )
        for part_id in ids
        if part_id not in label.unlabelled
    )
    return JudgedPhoto(label, result, verdict, parts)


def _same_view(label: LabelledShot, result: Result) -> bool:
    return result.view is None or result.view == label.view


def count_parts(parts: Iterable[JudgedPart]) -> PartCounts:
    """Count over parts, refused photos' parts left aside."""
    every = list(parts)
    wrong = [part for part in every if part.truth is not None and not part.refused]
    right = [part for part in every if part.truth is None and not part.refused]
    return PartCounts(
        missed=Proportion(sum(part.missed for part in wrong), len(wrong)),
        named=Proportion(sum(part.named for part in wrong), len(wrong)),
        false_alarm=Proportion(sum(part.false_alarm for part in right), len(right)),
        not_judged=sum(part.truth is not None and part.refused for part in every),
    )


def count_photos(photos: Iterable[JudgedPhoto]) -> PhotoCounts:
    """Count over photos."""
    every = list(photos)
    judgeable = [photo for photo in every if photo.judgeable]
    unjudgeable = [photo for photo in every if not photo.judgeable]
    all_right = [photo for photo in judgeable if not photo.label.states]
    wrong = [
        photo
        for photo in judgeable
        if photo.holds_stop_fault and photo.verdict is not PhotoVerdict.RETAKE
    ]
    refused_rightly = [p for p in unjudgeable if p.verdict is PhotoVerdict.RETAKE]
    return PhotoCounts(
        false_hold=_share(p.verdict is not PhotoVerdict.PASS for p in all_right),
        wrong_passed=_share(p.verdict is PhotoVerdict.PASS for p in wrong),
        refused=_share(p.verdict is PhotoVerdict.RETAKE for p in judgeable),
        refused_rightly=_share(p.verdict is PhotoVerdict.RETAKE for p in unjudgeable),
        reason_named=_share(
            p.result.retake is not None and p.result.retake.reason is p.label.retake
            for p in refused_rightly
        ),
        unjudgeable_passed=_share(p.verdict is PhotoVerdict.PASS for p in unjudgeable),
    )


def _share(flags: Iterable[bool]) -> Proportion:
    every = list(flags)
    return Proportion(sum(every), len(every))
