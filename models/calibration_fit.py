"""Fit what turns the comparer's answers into a probability and a verdict; nothing is read here.

Two parts of the photos, which never mix: *tune* fits the curves, *calibrate* draws the lines
with curves that it had no part in, as conformal risk control demands.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from verify.score import Abstained, Line, Platt, fault_to, fit_platt, ok_from
from verify.score.platt import SAME
from verify.score.probability import base_rate_log_loss, calibration_error, log_loss

STEP = 1e-5  # results give probabilities to five digits


class Way(StrEnum):
    """How a part's probability comes about, see ``Calibration``."""

    ALONE = "alone"  # right shots alone
    BESIDE = "beside"  # beside shots of wrong states


@dataclass(frozen=True)
class Judged:
    """One labelled part that was seen in one photo.

    Attributes:
        machine: id.
        teaching: which shots taught, such as ``all shots``.
        photo: names the photo, once for each machine.
        way: how its probability came about.
        p: probability that it is right, 0 to 1.
        right: whether it was.
    """

    machine: str
    teaching: str
    photo: str
    way: Way
    p: float
    right: bool


Curves = Mapping[Way, Platt]


def fit_curves(parts: Iterable[Judged]) -> dict[Way, Platt]:
    """Fit one curve for each way that has right and wrong parts, and their order right."""
    by_way: dict[Way, list[Judged]] = {}
    for part in parts:
        by_way.setdefault(part.way, []).append(part)
    curves = {}
    for way, few in by_way.items():
        curve = fit_platt([part.p for part in few], [part.right for part in few])
        if curve is not None:
            curves[way] = curve
    return curves


@dataclass(frozen=True)
class Quality:
    """How good probabilities are; ``base_rate`` is the log loss of knowing only their share."""

    n: int
    log_loss: float
    base_rate: float
    calibration_error: float


def quality(parts: Sequence[Judged], curves: Curves) -> Quality | None:
    """Return how good the probabilities are once the curves are applied; None without parts."""
    p = [curves[part.way](part.p) if part.way in curves else part.p for part in parts]
    right = [part.right for part in parts]
    loss, base = log_loss(p, right), base_rate_log_loss(right)
    error = calibration_error(p, right)
    if loss is None or base is None or error is None:
        return None
    return Quality(len(parts), loss, base, error)


@dataclass(frozen=True)
class HeldOut:
    """One machine, by curves that never saw it and by curves from its own photos alone."""

    machine: str
    as_is: Quality | None
    by_others: Quality | None
    by_own: Quality | None


def hold_out(tune: Sequence[Judged], calibrate: Sequence[Judged]) -> list[HeldOut]:
    """Try the curves on each machine's calibrate part, fitted without it and by it alone."""
    out = []
    for machine in dict.fromkeys(part.machine for part in calibrate):
        shown = [part for part in calibrate if part.machine == machine]
        others = fit_curves(part for part in tune if part.machine != machine)
        own = fit_curves(part for part in tune if part.machine == machine)
        out.append(
            HeldOut(machine, quality(shown, {}), quality(shown, others), quality(shown, own))
        )
    return out


@dataclass(frozen=True)
class Lines:
    """The two lines for verdicts, with what they were drawn from.

    Attributes:
        ok_from: least ``p_right`` that is called right; None where nothing can be promised.
        fault_to: most ``p_right`` that is called a fault; None likewise.
        misses, faults: by teaching, the line or why there is none.
    """

    ok_from: float | None
    fault_to: float | None
    misses: Mapping[str, Line | Abstained]
    faults: Mapping[str, Line | Abstained]


def draw_lines(parts: Sequence[Judged], miss_rate: float, false_rate: float) -> Lines:
    """Draw lines that keep their promise for each teaching on its own: the stricter one counts.

    Args:
        parts: of the calibrate part, their probabilities final.
        miss_rate: share of a photo's wrong parts that may be called right.
        false_rate: share of a photo's right parts that may be called a fault.
    """
    teachings = dict.fromkeys(part.teaching for part in parts)
    misses = {t: ok_from(_by_photo(parts, t, right=False), miss_rate) for t in teachings}
    faults = {t: fault_to(_by_photo(parts, t, right=True), false_rate) for t in teachings}
    return _strictest(misses, faults)


def _strictest(
    misses: Mapping[str, Line | Abstained], faults: Mapping[str, Line | Abstained]
) -> Lines:
    ok: float | None = None
    drawn = [line.at for line in misses.values() if isinstance(line, Line)]
    if drawn and len(drawn) == len(misses):
        # What counts as right starts at the line, what is promised lies strictly above it; a
        # line beyond 1 calls nothing right and is no use to anyone.
        lowest = max(0.0, round(max(drawn) + STEP, 5))
        ok = lowest if lowest <= 1 else None
    fault: float | None = None
    drawn = [line.at for line in faults.values() if isinstance(line, Line)]
    if drawn and len(drawn) == len(faults):
        fault = min(1.0, max(0.0, round(min(drawn) - STEP, 5)))
        if ok is not None:
            fault = min(fault, ok - STEP)
    return Lines(ok, fault, misses, faults)


def _by_photo(parts: Sequence[Judged], teaching: str, *, right: bool) -> list[list[float]]:
    groups: dict[tuple[str, str], list[float]] = {}
    for part in parts:
        if part.teaching == teaching and part.right is right:
            groups.setdefault((part.machine, part.photo), []).append(part.p)
    return list(groups.values())


def compose(weights: Sequence[float], curve: Platt) -> list[float]:
    """Return the weights of a logistic function followed by a curve; the last one is alone."""
    *slopes, constant = weights
    return [*(curve.steep * w for w in slopes), curve.steep * constant + curve.shift]


def curve_of(curves: Curves, way: Way) -> Platt:
    """Return the curve of a way; one that changes nothing where there is none."""
    return curves.get(way, SAME)
