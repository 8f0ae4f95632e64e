"""Fit what turns the judges' answers into a probability and a verdict; nothing is read here.

Two parts of the photos, which never mix: *tune* fits the weights, *calibrate* draws the lines
with weights that it had no part in, as conformal risk control demands.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from models.logistic import fit_logistic
from verify.score import Abstained, Line, fault_to, ok_from
from verify.score.probability import base_rate_log_loss, calibration_error, log_loss
from verify.vision.judge import Way

STEP = 1e-5  # results give probabilities to five digits

F64 = NDArray[np.float64]


class Known(StrEnum):
    """What is known of a part, see ``verify.vision.judge.Calibration``."""

    ALONE = "alone"  # right shots alone
    BESIDE = "beside"  # a shot of a wrong state beside them


@dataclass(frozen=True)
class Judged:
    """One labelled part that was seen in one photo.

    Attributes:
        machine: id.
        photo: names the photo, once for each machine and way of teaching.
        known: what is known of the part.
        features: what its probability is worked out from, ``features_of``.
        right: whether it was.
    """

    machine: str
    photo: str
    known: Known
    features: tuple[float, ...]
    right: bool


Weights = Mapping[Known, tuple[float, ...]]


def fit_weights(
    parts: Iterable[Judged], unshown: Iterable[Judged] = ()
) -> dict[Known, tuple[float, ...]]:
    """Fit weights for each kind of knowledge that has right and wrong parts.

    Weights fitted on states that shots show trust the likeness to a wrong shot too much: a state
    that nobody has shown looks like none of them. ``unshown`` therefore has a say in which way
    the weights point. How steep the curve is and where it lies is then fitted on ``parts`` alone,
    so that probabilities hold for the states that shots show.

    Args:
        parts: judged by all that is known of them.
        unshown: wrong parts, judged as if no shot had shown their state.
    """
    groups: dict[Known, list[Judged]] = {}
    for part in parts:
        groups.setdefault(part.known, []).append(part)
    more = list(unshown)
    out = {}
    for known, few in groups.items():
        hidden = [part for part in more if part.known is known]
        weights = _fitted([*few, *hidden])
        if weights is not None and hidden:
            weights = _scaled(weights, few)
        if weights is not None:
            out[known] = tuple(float(w) for w in weights)
    return out


def _fitted(parts: Sequence[Judged]) -> F64 | None:
    return fit_logistic(np.array([p.features for p in parts]), [p.right for p in parts])


def _scaled(weights: F64, parts: Sequence[Judged]) -> F64 | None:
    """Return weights that point the same way, with scale and constant fitted on ``parts``."""
    score = np.array([p.features for p in parts]) @ weights[:-1]
    fitted = fit_logistic(score[:, None], [p.right for p in parts])
    return None if fitted is None else np.array([*fitted[0] * weights[:-1], fitted[1]])


def p_right(part: Judged, weights: Weights) -> float:
    """Return the probability of a part by given weights; one half where there are none."""
    if part.known not in weights:
        return 0.5
    return Way(weights[part.known], 1.0, 0.0).p_right(part.features)


@dataclass(frozen=True)
class Quality:
    """How good probabilities are; ``base_rate`` is the log loss of knowing only their share."""

    n: int
    log_loss: float
    base_rate: float
    calibration_error: float


def quality(parts: Sequence[Judged], weights: Weights) -> Quality | None:
    """Return how good the probabilities by given weights are; None without parts."""
    p = [p_right(part, weights) for part in parts]
    right = [part.right for part in parts]
    loss, base = log_loss(p, right), base_rate_log_loss(right)
    error = calibration_error(p, right)
    if loss is None or base is None or error is None:
        return None
    return Quality(len(parts), loss, base, error)


@dataclass(frozen=True)
class HeldOut:
    """One machine, by weights that never saw it and by weights from its own photos alone."""

    machine: str
    known: Known
    by_others: Quality | None
    by_own: Quality | None


def hold_out(
    tune: Sequence[Judged], calibrate: Sequence[Judged], unshown: Sequence[Judged] = ()
) -> list[HeldOut]:
    """Try weights on each machine's calibrate part, fitted without it and by it alone."""
    out = []
    for machine in dict.fromkeys(part.machine for part in calibrate):
        others, own = (
            fit_weights(
                (part for part in tune if (part.machine == machine) is same),
                (part for part in unshown if (part.machine == machine) is same),
            )
            for same in (False, True)
        )
        for known in Known:
            shown = [p for p in calibrate if p.machine == machine and p.known is known]
            if shown:
                found = HeldOut(machine, known, quality(shown, others), quality(shown, own))
                out.append(found)
    return out


@dataclass(frozen=True)
class Lines:
    """The two lines for verdicts, with what they were drawn from.

    Attributes:
        ok_from: least ``p_right`` that is called right; None where nothing can be promised.
        fault_to: most ``p_right`` that is called a fault; None likewise.
        miss, false: the lines, or why there is none.
    """

    ok_from: float | None
    fault_to: float | None
    miss: Line | Abstained
    false: Line | Abstained


def draw_lines(
    parts: Sequence[Judged], weights: Weights, miss_rate: float, false_rate: float
) -> dict[Known, Lines]:
    """Draw lines that keep their promise, for each kind of knowledge on its own.

    Args:
        parts: of the calibrate part.
        weights: fitted on other photos.
        miss_rate: share of a photo's wrong parts that may be called right.
        false_rate: share of a photo's right parts that may be called a fault.
    """
    out = {}
    for known in Known:
        few = [part for part in parts if part.known is known]
        miss = ok_from(_by_photo(few, weights, right=False), miss_rate)
        false = fault_to(_by_photo(few, weights, right=True), false_rate)
        out[known] = _lines(miss, false)
    return out


def _lines(miss: Line | Abstained, false: Line | Abstained) -> Lines:
    ok: float | None = None
    if isinstance(miss, Line):
        # What counts as right starts at the line, what is promised lies strictly above it; a
        # line beyond 1 calls nothing right and is no use to anyone.
        lowest = max(0.0, round(miss.at + STEP, 5))
        ok = lowest if lowest <= 1 else None
    fault: float | None = None
    if isinstance(false, Line):
        fault = min(1.0, max(0.0, round(false.at - STEP, 5)))
        if ok is not None:
            fault = min(fault, round(ok - STEP, 5))
    return Lines(ok, fault, miss, false)


def _by_photo(parts: Sequence[Judged], weights: Weights, *, right: bool) -> list[list[float]]:
    groups: dict[tuple[str, str], list[float]] = {}
    for part in parts:
        if part.right is right:
            p = round(p_right(part, weights), 5)
            groups.setdefault((part.machine, part.photo), []).append(p)
    return list(groups.values())
