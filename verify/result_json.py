"""A ``Result`` as the JSON object of the contract, and back.

A number that is not known is ``null``. Readers ignore keys that they do not know, so
that results of a newer release can still be read.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any, cast

from verify.domain import (
    Finding,
    MadeBy,
    Measure,
    Outline,
    PartVerdict,
    PhotoVerdict,
    Result,
    Retake,
    RetakeReason,
    Severity,
    Timing,
)
from verify.errors import VerifyError

FORMAT = 1
_PIXEL_DIGITS = 2
_NUMBER_DIGITS = 3
_MS_DIGITS = 1

Json = dict[str, Any]


class ResultFormatError(VerifyError):
    """A text or object is not a result of this format."""


def result_to_json(result: Result) -> Json:
    """Return the object of the contract, ready for ``json.dumps``.

    Lengths are rounded to what they mean: pixels to 0.01, offsets, turns and measures to
    0.001, times to 0.1 ms. Probabilities are kept whole.
    """
    return {
        "format": FORMAT,
        "photo": result.photo,
        "sha256": result.sha256,
        "machine": result.machine,
        "view": result.view,
        "verdict": result.verdict.value,
        "retake": None
        if result.retake is None
        else {"reason": result.retake.reason.value, "advice": result.retake.advice},
        "parts": [_finding_to_json(finding) for finding in result.parts],
        "marked": result.marked,
        "made_by": asdict(result.made_by),
        "ms": {
            name: _number(getattr(result.ms, name), _MS_DIGITS)
            for name in ("read", "align", "locate", "judge", "total")
        },
    }


def result_line(result: Result) -> str:
    """Return the result as one line of JSON, without the line break."""
    # Not allow_nan: what is not a number must have become null before.
    return json.dumps(result_to_json(result), ensure_ascii=False, allow_nan=False)


def result_from_json(value: Mapping[str, Any] | str) -> Result:
    """Return the result that an object, or a text with one, stands for.

    Raises:
        ResultFormatError: it is not JSON, of another format, or lacks something; the
            message names what.
    """
    if isinstance(value, str):
        try:
            value = json.loads(value)
        except json.JSONDecodeError as error:
            raise ResultFormatError(f"a result is not JSON: {error}") from None
    if not isinstance(value, Mapping) or value.get("format") != FORMAT:
        raise ResultFormatError(f"a result must be an object with format = {FORMAT}")
    try:
        return _result(value)
    except KeyError as error:
        raise ResultFormatError(f"a result lacks {error}") from None
    except (AttributeError, TypeError, ValueError) as error:
        raise ResultFormatError(f"a result cannot be read: {error}") from None


def _finding_to_json(finding: Finding) -> Json:
    return {
        "id": finding.id,
        "verdict": finding.verdict.value,
        "severity": finding.severity.value,
        "expected": finding.expected,
        "found": finding.found,
        "p_right": _number(finding.p_right, None),
        "outline": _outline_to_json(finding.outline),
        "offset_mm": _number(finding.offset_mm, _NUMBER_DIGITS),
        "turn_deg": _number(finding.turn_deg, _NUMBER_DIGITS),
        "measures": [
            {"name": m.name, "value": _number(m.value, _NUMBER_DIGITS), "unit": m.unit}
            for m in finding.measures
        ],
        "message": finding.message,
        "fix": finding.fix,
        "look_at": _point_to_json(finding.look_at),
    }


def _point_to_json(point: tuple[float, float] | None) -> list[float | None] | None:
    if point is None or not all(map(math.isfinite, point)):
        return None
    return [_number(v, _PIXEL_DIGITS) for v in point]


def _number(value: float | None, digits: int | None) -> float | None:
    """Return a plain float; None where it is not known, not a number or not finite."""
    if value is None or not math.isfinite(value):
        return None
    # float() because NumPy's numbers are no JSON; + 0.0 turns -0.0 into 0.0.
    return (float(value) if digits is None else round(float(value), digits)) + 0.0


def _outline_to_json(outline: Outline | None) -> list[list[float | None]] | None:
    if outline is None or not all(math.isfinite(c) for point in outline for c in point):
        return None
    return [[_number(c, _PIXEL_DIGITS) for c in point] for point in outline]


def _result(value: Mapping[str, Any]) -> Result:
    retake = value["retake"]
    made_by = value["made_by"]
    ms = value["ms"]
    return Result(
        photo=value["photo"],
        sha256=value["sha256"],
        machine=value["machine"],
        view=value["view"],
        verdict=PhotoVerdict(value["verdict"]),
        retake=None if retake is None else Retake(RetakeReason(retake["reason"]), retake["advice"]),
        parts=tuple(_finding(part) for part in cast(Sequence[Json], value["parts"])),
        made_by=MadeBy(made_by["verify"], made_by["machine"], made_by["model"]),
        ms=Timing(*(_known(ms[n]) for n in ("read", "align", "locate", "judge", "total"))),
        marked=value["marked"],
    )


def _finding(value: Mapping[str, Any]) -> Finding:
    outline = value["outline"]
    return Finding(
        id=value["id"],
        verdict=PartVerdict(value["verdict"]),
        severity=Severity(value["severity"]),
        expected=value["expected"],
        found=value["found"],
        p_right=value["p_right"],
        outline=None if outline is None else tuple((float(x), float(y)) for x, y in outline),
        message=value["message"],
        fix=value["fix"],
        offset_mm=value["offset_mm"],
        turn_deg=value["turn_deg"],
        look_at=_point(value.get("look_at")),  # older results have none
        measures=tuple(
            Measure(m["name"], _known(m["value"]), m["unit"]) for m in value["measures"]
        ),
    )


def _known(value: float | None) -> float:
    """Return the number; ``null`` comes back as not-a-number, which is written as ``null``."""
    return math.nan if value is None else float(value)


def _point(value: Sequence[float] | None) -> tuple[float, float] | None:
    if value is None:
        return None
    x, y = value
    return float(x), float(y)
