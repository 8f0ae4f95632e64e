"""Holds results against the truth: counts with exact intervals, and how good ``p_right`` is.

Pure: labels and results in, a frozen report out.
"""

from verify.score.counts import PartCounts, PhotoCounts, verdict_without
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
    "Group",
    "Mistake",
    "PartCounts",
    "PartScore",
    "PhotoCounts",
    "Probabilities",
    "Proportion",
    "ScoreReport",
    "StateScore",
    "exact_interval",
    "report_to_json",
    "score",
    "verdict_without",
]
