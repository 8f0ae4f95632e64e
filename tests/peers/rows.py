"""The numbers of the table: one row for each method, counted over a group of sets."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby

import numpy as np
from sklearn.metrics import roc_auc_score

from tests.peers.lines import Case, cases_of, draw, with_line
from tests.peers.methods import METHODS, TOOL
from tests.peers.runs import ALL, TEST, TUNE, Bench
from tests.peers.said import Run
from tests.peers.sets import PhotoSet
from verify.score import Proportion, ScoreReport, score

RESAMPLES = 400
OWN_LINE = "its own line"
TUNED_LINE = "line drawn on the tune part"


@dataclass(frozen=True)
class Area:
    """An AUROC with its 95 % interval over photos drawn again (bootstrap); None: not known."""

    value: float | None
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True)
class Row:
    """One method on one group of sets.

    Attributes:
        method: one of ``METHODS``.
        line: how verdicts were drawn, ``OWN_LINE`` or ``TUNED_LINE``.
        missed, named: of wrong parts; false_hold: of all-right photos; refused: of judgeable
            photos; looked: of labelled parts in judgeable photos, those with a score.
        part_area, photo_area: AUROC of parts, of photos.
        ms: median milliseconds a photo.
        megabytes: peak memory.
    """

    method: str
    line: str
    missed: Proportion
    named: Proportion
    false_hold: Proportion
    refused: Proportion
    looked: Proportion
    part_area: Area
    photo_area: Area
    ms: float
    megabytes: float

    @property
    def title(self) -> str:
        """The method, and for this tool the line."""
        title = METHODS[self.method].title
        return f"{title}, line tuned alike" if _is_second(self) else title


def _is_second(row: Row) -> bool:
    return row.method == TOOL and row.line == TUNED_LINE


def by_group(sets: Sequence[PhotoSet]) -> Iterator[tuple[str, list[PhotoSet]]]:
    """Yield each group with its sets, in their order."""
    for group, members in groupby(sorted(sets, key=lambda s: s.group), key=lambda s: s.group):
        yield group, list(members)


def rows_of(
    bench: Bench, sets: Sequence[PhotoSet], methods: Sequence[str], teaching: str = ALL
) -> list[Row]:
    """Run the methods on the sets of one group and count."""
    rows = []
    for method in methods:
        tune, _ = gather(bench, sets, method, teaching, TUNE)
        test, runs = gather(bench, sets, method, teaching, TEST)
        if method == TOOL:
            rows.append(row_of(method, OWN_LINE, test, runs, [case.result for case in test]))
        line = draw(tune)
        drawn = [with_line(case, line) for case in test]
        rows.append(row_of(method, TUNED_LINE, test, runs, drawn))
    return rows


def gather(
    bench: Bench, sets: Sequence[PhotoSet], method: str, teaching: str, part: str
) -> tuple[list[Case], list[Run]]:
    """Return what a method says of one part of all sets."""
    cases: list[Case] = []
    runs: list[Run] = []
    for photo_set in sets:
        run = bench.run(photo_set, method, teaching, part)
        labels = photo_set.tune if part == TUNE else photo_set.test
        cases += cases_of(labels, {v.id: v for v in photo_set.machine.views}, run)
        runs.append(run)
    return cases, runs


def row_of(
    method: str, line: str, cases: Sequence[Case], runs: Sequence[Run], results: Sequence
) -> Row:
    """Count one row from verdicts; the areas come from scores and know no line."""
    report = report_of(cases, results)
    judgeable = [case for case in cases if case.label.retake is None]
    parts = [said for case in judgeable for _, said in case.labelled]
    return Row(
        method=method,
        line=line,
        missed=report.overall.parts.missed,
        named=report.overall.parts.named,
        false_hold=report.overall.verdicts.false_hold,
        refused=report.overall.verdicts.refused,
        looked=Proportion(sum(said.score is not None for said in parts), len(parts)),
        part_area=area(judgeable, _part_scores),
        photo_area=area(judgeable, _photo_score),
        ms=float(np.median([case.said.ms for case in cases])),
        megabytes=max(run.megabytes for run in runs),
    )


def report_of(cases: Sequence[Case], results: Sequence) -> ScoreReport:
    """Hold verdicts against labels as ``verify score`` does."""
    return score([case.label for case in cases], list(results))


Scores = list[tuple[float, bool]]


def _part_scores(case: Case) -> Scores:
    return [
        (said.score, part.id not in case.label.states)
        for part, said in case.labelled
        if said.score is not None
    ]


def _photo_score(case: Case) -> Scores:
    return [] if case.score is None else [(case.score, not case.label.states)]


def area(cases: Sequence[Case], scores: Callable[[Case], Scores], seed: int = 0) -> Area:
    """Return the AUROC of right against wrong; photos, not parts, are drawn again."""
    groups = [np.array(found, dtype=float) for case in cases if (found := scores(case))]
    whole = _area(groups)
    if whole is None:
        return Area(None)
    rng = np.random.default_rng(seed)
    values = [
        value
        for _ in range(RESAMPLES)
        if (value := _area([groups[k] for k in rng.integers(len(groups), size=len(groups))]))
        is not None
    ]
    low, high = np.percentile(values, [2.5, 97.5])
    return Area(whole, float(low), float(high))


def _area(groups: Sequence[np.ndarray]) -> float | None:
    if not groups:
        return None
    rows = np.concatenate(groups)
    if len(np.unique(rows[:, 1])) < 2:
        return None
    return float(roc_auc_score(rows[:, 1], rows[:, 0]))
