"""A score report as plain JSON values; what cannot be computed is ``null``."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict
from typing import Any

from verify.score.counts import PartCounts, PhotoCounts
from verify.score.probability import RiskCoverage
from verify.score.proportion import Proportion
from verify.score.report import Group, Probabilities, ScoreReport

FORMAT = 1
COVERAGES = (0.5, 0.8, 0.9, 0.95, 1.0)

Json = dict[str, Any]


def report_to_json(report: ScoreReport) -> Json:
    """Return the report as objects, lists, numbers and texts, ready for ``json.dumps``.

    Every count is ``{"count", "total", "rate", "interval"}``, the interval being the exact
    95 % one, rates and limits 0 to 1.
    """
    return {
        "format": FORMAT,
        "overall": _group(report.overall),
        "views": [{"view": view, **_group(group)} for view, group in report.views.items()],
        "parts": [
            {
                "view": part.view,
                "part": part.part,
                **_parts(part.counts),
                **_probabilities(part.probabilities),
            }
            for part in report.parts
        ],
        "states": [
            {
                "view": state.view,
                "part": state.part,
                "state": state.state,
                "missed": _proportion(state.counts.missed),
                "named": _proportion(state.counts.named),
                "not_judged": state.counts.not_judged,
            }
            for state in report.states
        ],
        "mistakes": [asdict(mistake) for mistake in report.mistakes],
    }


def _group(group: Group) -> Json:
    return {
        "photos": group.photos,
        **_parts(group.parts),
        **_verdicts(group.verdicts),
        **_probabilities(group.probabilities),
    }


def _parts(counts: PartCounts) -> Json:
    return {
        **_proportions(counts, ("missed", "named", "false_alarm")),
        "not_judged": counts.not_judged,
    }


def _verdicts(counts: PhotoCounts) -> Json:
    names = (
        "false_hold",
        "wrong_passed",
        "refused",
        "refused_rightly",
        "reason_named",
        "unjudgeable_passed",
    )
    return _proportions(counts, names)


def _proportions(counts: PartCounts | PhotoCounts, names: Iterable[str]) -> Json:
    return {name: _proportion(getattr(counts, name)) for name in names}


def _proportion(value: Proportion) -> Json:
    interval = value.interval
    return {
        "count": value.count,
        "total": value.total,
        "rate": value.rate,
        "interval": None if interval is None else list(interval),
    }


def _probabilities(value: Probabilities) -> Json:
    return {
        "parts_with_p": value.n,
        "auroc": value.auroc,
        "log_loss": value.log_loss,
        "base_rate_log_loss": value.base_rate,
        "calibration_error": value.calibration_error,
        "risk_coverage": None if value.risk is None else _risk(value.risk),
        "reliability": [
            {
                "low": each.low,
                "high": each.high,
                "mean_p": each.mean_p,
                "right": _proportion(each.right),
            }
            for each in value.reliability
        ],
    }


def _risk(risk: RiskCoverage) -> Json:
    points = [{"coverage": share, "risk": risk.risk_at(share)} for share in COVERAGES]
    return {"area": risk.area, "points": points}
