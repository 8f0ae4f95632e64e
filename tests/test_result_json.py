"""A result as the contract writes it, and back."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from tests.score.make import finding, result
from verify.domain import (
    Finding,
    Measure,
    PartVerdict,
    PhotoVerdict,
    Result,
    RetakeReason,
    Severity,
    Timing,
)
from verify.result_json import (
    ResultFormatError,
    result_from_json,
    result_line,
    result_to_json,
)

REPOSITORY = Path(__file__).resolve().parents[1]
# Keys as the agreed result format lists them, in its order.
KEYS = [
    "format", "photo", "sha256", "machine", "view", "verdict", "retake", "parts", "marked",
    "made_by", "ms",
]  # fmt: skip
PART_KEYS = [
    "id", "verdict", "severity", "expected", "found", "p_right", "outline", "offset_mm",
    "turn_deg", "measures", "message", "fix",
]  # fmt: skip


def test_the_keys_are_those_agreed() -> None:
    written = result_to_json(result(finding("a", "fault", "missing")))
    assert list(written) == KEYS
    # readers ignore keys that they do not know, so that more may follow
    assert list(written["parts"][0]) == [*PART_KEYS, "look_at"]
    assert written["retake"] is None
    assert written["marked"] is None
    assert list(written["made_by"]) == ["verify", "machine", "model"]
    assert list(written["ms"]) == ["read", "align", "locate", "judge", "total"]
    retake = result_to_json(result(retake=RetakeReason.WRONG_VIEW))["retake"]
    assert retake == {"reason": "wrong-view", "advice": "Take it again."}


def test_what_is_not_known_is_null() -> None:
    unknown = replace(
        finding("a", "unsure", p=math.nan), turn_deg=math.inf, outline=((math.nan, 1.0),) * 3
    )
    (part,) = result_to_json(result(unknown))["parts"]
    assert part["p_right"] is None
    assert part["turn_deg"] is None
    assert part["outline"] is None
    assert part["offset_mm"] is None


def test_numbers_of_numpy_are_plain_numbers() -> None:
    corner = (np.float32(1.25), np.float32(2.5))
    given_ = replace(finding("a", "ok", p=np.float64(0.25)), outline=(corner,) * 3)
    (part,) = json.loads(result_line(result(given_)))["parts"]
    assert part["p_right"] == 0.25
    assert part["outline"] == [[1.25, 2.5]] * 3


# The schema in shared/ is written from the agreed format, not from this code.
SCHEMA = Draft202012Validator(
    json.loads((REPOSITORY / "shared" / "result.schema.json").read_text(encoding="utf-8"))
)
numbers = st.floats(-1e5, 1e5)
texts = st.text(max_size=20)
maybe_text = st.none() | texts
outlines = st.none() | st.lists(st.tuples(numbers, numbers), min_size=3, max_size=6).map(tuple)
findings = st.builds(
    Finding,
    id=texts,
    verdict=st.sampled_from(PartVerdict),
    severity=st.sampled_from(Severity),
    expected=texts,
    found=maybe_text,
    p_right=st.none() | st.floats(0, 1),
    outline=outlines,
    message=texts,
    fix=maybe_text,
    offset_mm=st.none() | numbers,
    turn_deg=st.none() | numbers,
    measures=st.lists(st.builds(Measure, texts, numbers, texts), max_size=2).map(tuple),
    look_at=st.none() | st.tuples(numbers, numbers),
)
results = st.builds(
    replace,
    st.sampled_from([result(), result(retake=RetakeReason.DARK)]),
    photo=texts,
    sha256=maybe_text,
    view=maybe_text,
    verdict=st.sampled_from(PhotoVerdict),
    parts=st.lists(findings, max_size=3).map(tuple),
    ms=st.builds(Timing, numbers, numbers, numbers, numbers, numbers),
    marked=maybe_text,
)


CONSISTENT = [
    result(),
    result(finding("a", "ok"), finding("b", "unsure", p=0.4)),
    result(finding("a", "fault", "missing"), finding("b", "unseen")),
    result(finding("a", "ok"), retake=RetakeReason.GLARE),
    result(retake=RetakeReason.UNREADABLE),
    replace(
        result(
            replace(
                finding("a", "fault", "displaced"),
                outline=((1.0, 2.0), (3.0, 4.0), (5.0, 6.5)),
                offset_mm=3.25,
                turn_deg=-12.0,
                measures=(Measure("gap", 0.5, "mm"),),
                fix="Push it in.",
                look_at=(4.25, 5.5),
            )
        ),
        marked="marked/1.jpg",
    ),
]


def test_a_result_from_before_it_said_where_to_look_is_read() -> None:
    value = result_to_json(CONSISTENT[-1])
    assert result_from_json(value).parts[0].look_at == (4.25, 5.5)
    for part in value["parts"]:
        del part["look_at"]
    assert result_from_json(value).parts[0].look_at is None


@pytest.mark.parametrize("given_", CONSISTENT)
def test_what_is_written_fits_the_schema(given_: Result) -> None:
    SCHEMA.validate(json.loads(result_line(given_)))


@settings(max_examples=50)
@given(results)
def test_a_result_comes_back_as_it_was_written(given_: Result) -> None:
    line = result_line(given_)
    assert "\n" not in line
    back = result_from_json(line)
    assert result_line(back) == line
    assert [part.p_right for part in back.parts] == [part.p_right for part in given_.parts]
    same = ("photo", "sha256", "machine", "view", "verdict", "retake", "made_by", "marked")
    assert all(getattr(back, name) == getattr(given_, name) for name in same)


def test_a_reader_ignores_keys_that_it_does_not_know() -> None:
    written = result_to_json(result(finding("a", "ok")))
    written["new"] = 1
    written["parts"][0]["newer"] = 2
    assert result_from_json(written) == result(finding("a", "ok"))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("{", "not JSON"),
        ("[]", "format = 1"),
        ('{"format": 2}', "format = 1"),
        ('{"format": 1}', "lacks 'retake'"),
    ],
)
def test_what_is_no_result_is_refused_with_the_reason(text: str, said: str) -> None:
    with pytest.raises(ResultFormatError, match=said):
        result_from_json(text)


def test_an_unknown_verdict_is_refused() -> None:
    written = result_to_json(result())
    written["verdict"] = "maybe"
    with pytest.raises(ResultFormatError, match="maybe"):
        result_from_json(written)
