"""From what was said to verdicts: a line drawn on the tune part, the same rule for everyone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.peers.said import PartSaid, Run, Said
from verify.domain import (
    UNKNOWN_STATE,
    Finding,
    LabelledShot,
    MadeBy,
    Part,
    PartVerdict,
    PhotoVerdict,
    Result,
    Severity,
    Timing,
    View,
    photo_verdict,
)

PEER = MadeBy("peer", "-", "-")


@dataclass(frozen=True)
class Case:
    """One labelled photo with what was said of it; ``view`` is of its machine."""

    label: LabelledShot
    view: View
    said: Said

    @property
    def result(self) -> Result:
        """What this tool itself says."""
        result = self.said.own_result
        if result is None:
            raise ValueError(f"{self.said.file}: a peer says no verdict of its own")
        return result

    @property
    def labelled(self) -> list[tuple[Part, PartSaid]]:
        """The parts that somebody vouches for; none where only the photo as a whole is judged."""
        if self.said.score is not None:
            return []
        blank = PartSaid(None, UNKNOWN_STATE)
        return [
            (part, self.said.parts.get(part.id, blank))
            for part in self.view.parts
            if part.id not in self.label.unlabelled
        ]

    @property
    def score(self) -> float | None:
        """Of the photo: its own, or that of the part that looks the least right."""
        if self.said.score is not None:
            return self.said.score
        scores = [
            said.score
            for part, said in self.labelled
            if part.severity is Severity.STOP and said.score is not None
        ]
        return min(scores, default=None)


def cases_of(labels: Sequence[LabelledShot], views: Mapping[str, View], run: Run) -> list[Case]:
    """Pair labels with what was said of them."""
    return [Case(a, views[a.view], b) for a, b in zip(labels, run.said, strict=True)]


def with_line(case: Case, line: float) -> Result:
    """Return the verdicts where what lies above ``line`` is right and all else a fault.

    What could not be looked at is not sure, and holds. Where this tool refused a photo or a
    part, that stays.
    """
    own = case.said.own_result
    if case.said.score is not None:
        verdict = PhotoVerdict.PASS if case.said.score > line else PhotoVerdict.HOLD
        return _result(case, verdict, ())
    unseen = {p.id for p in own.parts if p.verdict is PartVerdict.UNSEEN} if own else set()
    findings = tuple(
        _finding(part, case.said.parts[part.id], line, part.id in unseen)
        for part in case.view.parts
        if part.id in case.said.parts
    )
    refused = own is not None and own.verdict is PhotoVerdict.RETAKE and not unseen
    return _result(case, photo_verdict(findings, refused=refused), findings)


def _result(case: Case, verdict: PhotoVerdict, findings: tuple[Finding, ...]) -> Result:
    own = case.said.own_result
    return Result(
        photo=case.label.file,
        sha256=None,
        machine="",
        view=case.view.id if own is None else own.view,
        verdict=verdict,
        retake=None if own is None else own.retake,
        parts=findings,
        made_by=PEER,
        ms=Timing(0, 0, 0, 0, case.said.ms),
    )


def _finding(part: Part, said: PartSaid, line: float, unseen: bool) -> Finding:
    if unseen:
        verdict, found = PartVerdict.UNSEEN, None
    elif said.score is None:
        verdict, found = PartVerdict.UNSURE, said.found
    elif said.score > line:
        verdict, found = PartVerdict.OK, part.expect
    else:
        verdict, found = PartVerdict.FAULT, said.found
    return Finding(part.id, verdict, part.severity, part.expect, found, None, None, "")


def draw(cases: Sequence[Case]) -> float:
    """Return the line with the lowest sum of missed wrong parts and held right photos, as shares.

    Of several such lines the middle one; 0 where nothing was looked at, which holds all photos
    wherever the line lies. Photos that need not be judged do not count.
    """
    judged = [case for case in cases if case.label.retake is None]
    wrong = np.array([s for case in judged for s in _wrong_scores(case)])
    right = np.array([score for case in judged if not case.label.states for score in [case.score]
                      if score is not None])  # fmt: skip
    if not len(wrong) and not len(right):
        return 0.0
    every = np.unique(np.concatenate([wrong, right]))
    lines = np.concatenate([[every[0] - 1], (every[1:] + every[:-1]) / 2, [every[-1] + 1]])
    cost = np.array([_share(wrong > line) + _share(right <= line) for line in lines])
    best = lines[cost <= cost.min() + 1e-12]
    return float(best[len(best) // 2])


def _wrong_scores(case: Case) -> list[float]:
    """Return the scores that decide whether a photo's wrong parts are missed."""
    if case.said.score is not None:
        return [case.said.score] * len(case.label.states)
    return [
        said.score
        for part, said in case.labelled
        if part.id in case.label.states and said.score is not None
    ]


def _share(flags: NDArray[np.bool_]) -> float:
    return float(flags.mean()) if len(flags) else 0.0
