"""Short ways to write labels and results."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from verify.domain import (
    Finding,
    LabelledShot,
    MadeBy,
    PartVerdict,
    Result,
    Retake,
    RetakeReason,
    Severity,
    Timing,
    photo_verdict,
)


def label(
    *,
    file: str = "1.jpg",
    view: str = "one",
    unlabelled: Sequence[str] = (),
    retake: str | None = None,
    **states: str,
) -> LabelledShot:
    reason = None if retake is None else RetakeReason(retake)
    return LabelledShot(file, Path(file), view, states, frozenset(unlabelled), reason)


def finding(
    part: str,
    verdict: str,
    found: str | None = None,
    *,
    p: float | None = 0.5,
    severity: Severity = Severity.STOP,
) -> Finding:
    return Finding(
        id=part,
        verdict=PartVerdict(verdict),
        severity=severity,
        expected="seated",
        found=None
        if verdict == "unseen"
        else found or ("seated" if verdict == "ok" else "unknown"),
        p_right=None if verdict == "unseen" else p,
        outline=None,
        message=f"{part}: {verdict}.",
    )


def result(
    *parts: Finding, retake: RetakeReason | None = None, view: str = "one", photo: str = "1.jpg"
) -> Result:
    return Result(
        photo=photo,
        sha256="0" * 64,
        machine="m",
        view=view,
        verdict=photo_verdict(parts, refused=retake is not None),
        retake=None if retake is None else Retake(retake, "Take it again."),
        parts=parts,
        made_by=MadeBy("0.1.0", "1" * 64, "2" * 64),
        ms=Timing(1.0, 2.0, 3.0, 4.0, 10.0),
    )
