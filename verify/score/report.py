"""The whole report: overall, per view, per part, per part and wrong state."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

from verify.domain import LabelledShot, PhotoVerdict, Result
from verify.score.counts import (
    JudgedPart,
    JudgedPhoto,
    PartCounts,
    PhotoCounts,
    count_parts,
    count_photos,
    judge_photo,
)
from verify.score.probability import (
    ReliabilityBin,
    RiskCoverage,
    auroc,
    base_rate_log_loss,
    calibration_error,
    log_loss,
    reliability,
    risk_coverage,
)

K = TypeVar("K")


@dataclass(frozen=True)
class Probabilities:
    """How good ``p_right`` is over ``n`` labelled parts of photos that were judged.

    None where a number cannot be computed: ``auroc`` needs right and wrong parts.
    ``base_rate`` is the log loss of always giving the share of right parts; ``log_loss``
    says something of a part only where it is lower.
    """

    n: int
    auroc: float | None
    log_loss: float | None
    base_rate: float | None
    calibration_error: float | None
    risk: RiskCoverage | None
    reliability: tuple[ReliabilityBin, ...]


@dataclass(frozen=True)
class Group:
    """Everything that is said of a set of photos."""

    photos: int
    parts: PartCounts
    verdicts: PhotoCounts
    probabilities: Probabilities


@dataclass(frozen=True)
class PartScore:
    """One part of one view."""

    view: str
    part: str
    counts: PartCounts
    probabilities: Probabilities


@dataclass(frozen=True)
class StateScore:
    """One wrong state of one part of one view; ``counts.false_alarm`` is empty."""

    view: str
    part: str
    state: str
    counts: PartCounts


@dataclass(frozen=True)
class Mistake:
    """A photo worth looking at.

    Attributes:
        kind: ``missed``, ``false hold``, ``refused`` or ``unjudgeable passed``.
        photo: as the labelled set names it.
        part: the part meant; None where the whole photo is meant.
        truth: the state, or the reason for a retake, that the label gives.
        said: what the result said instead.
    """

    kind: str
    photo: str
    view: str
    part: str | None
    truth: str | None
    said: str


@dataclass(frozen=True)
class ScoreReport:
    """What ``score`` returns; views, parts and states stand in the order of their first photo."""

    overall: Group
    views: Mapping[str, Group]
    parts: tuple[PartScore, ...]
    states: tuple[StateScore, ...]
    mistakes: tuple[Mistake, ...]


def score(labels: Sequence[LabelledShot], results: Sequence[Result]) -> ScoreReport:
    """Hold results against labels, one result for each label, in the same order.

    Raises:
        ValueError: there are more of the one than of the other.
    """
    if len(labels) != len(results):
        raise ValueError(f"{len(labels)} labels, but {len(results)} results")
    photos = [judge_photo(label, result) for label, result in zip(labels, results, strict=True)]
    parts = [part for photo in photos for part in photo.parts]
    views = dict.fromkeys(label.view for label in labels)
    return ScoreReport(
        overall=_group(photos),
        views={view: _group([p for p in photos if p.label.view == view]) for view in views},
        parts=tuple(
            PartScore(view, part, count_parts(members), _probabilities(members))
            for (view, part), members in _grouped(parts, lambda p: (p.view, p.part)).items()
        ),
        states=tuple(
            StateScore(view, part, state, count_parts(members))
            for (view, part, state), members in _grouped(
                [p for p in parts if p.truth is not None],
                lambda p: (p.view, p.part, p.truth or ""),
            ).items()
        ),
        mistakes=tuple(mistake for photo in photos for mistake in _mistakes(photo)),
    )


def _grouped(
    parts: Iterable[JudgedPart], key: Callable[[JudgedPart], K]
) -> dict[K, list[JudgedPart]]:
    groups: dict[K, list[JudgedPart]] = {}
    for part in parts:
        groups.setdefault(key(part), []).append(part)
    return groups


def _group(photos: Sequence[JudgedPhoto]) -> Group:
    parts = [part for photo in photos for part in photo.parts]
    return Group(len(photos), count_parts(parts), count_photos(photos), _probabilities(parts))


def _probabilities(parts: Iterable[JudgedPart]) -> Probabilities:
    seen = [
        (part.finding.p_right, part.truth is None)
        for part in parts
        if not part.refused and part.finding is not None and part.finding.p_right is not None
    ]
    p = [pair[0] for pair in seen]
    right = [pair[1] for pair in seen]
    return Probabilities(
        n=len(seen),
        auroc=auroc(p, right),
        log_loss=log_loss(p, right),
        base_rate=base_rate_log_loss(right),
        calibration_error=calibration_error(p, right),
        risk=risk_coverage(p, right),
        reliability=reliability(p, right),
    )


def _mistakes(photo: JudgedPhoto) -> Iterable[Mistake]:
    label, verdict = photo.label, photo.verdict
    retake = photo.result.retake
    said = f"retake, {retake.reason.value}" if retake is not None else verdict.value
    if label.retake is not None:
        if verdict is PhotoVerdict.PASS:
            yield Mistake("unjudgeable passed", label.file, label.view, None, label.retake, said)
        return
    for part in photo.parts:
        if part.missed:
            yield Mistake("missed", label.file, label.view, part.part, part.truth, "ok")
    if verdict is PhotoVerdict.RETAKE:
        yield Mistake("refused", label.file, label.view, None, None, said)
    elif verdict is PhotoVerdict.HOLD and not label.states:
        for part in photo.parts:
            if part.false_alarm and part.finding is not None:
                said = f"{part.finding.verdict.value}, {part.finding.found or 'not known'}"
                yield Mistake("false hold", label.file, label.view, part.part, None, said)
