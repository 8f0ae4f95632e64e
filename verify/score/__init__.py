"""Holds results against the truth: counts with exact intervals, and how good ``p_right`` is.

Pure: labels and results in, a frozen report out.
"""

from verify.score.conformal import (
    Abstained,
    Line,
    draw_line,
    fault_to,
    least_examples,
    least_rate,
    ok_from,
)
from verify.score.counts import PartCounts, PhotoCounts, verdict_without
from verify.score.probability import ReliabilityBin, RiskCoverage
from verify.score.proportion import Proportion, exact_interval
from verify.score.report import (
    Group,
    Mistake,
    PartScore,
    Probabilities,
    ScoreReport,
    StateScore,
    score,
)
from verify.score.report_json import report_to_json

__all__ = [
    "Abstained",
    "Group",
    "Line",
    "Mistake",
    "PartCounts",
    "PartScore",
    "PhotoCounts",
    "Probabilities",
    "Proportion",
    "ReliabilityBin",
    "RiskCoverage",
    "ScoreReport",
    "StateScore",
    "draw_line",
    "exact_interval",
    "fault_to",
    "least_examples",
    "least_rate",
    "ok_from",
    "report_to_json",
    "score",
    "verdict_without",
]
