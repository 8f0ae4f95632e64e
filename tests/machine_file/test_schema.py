"""The JSON Schemas agree with the readers, held against the jsonschema library (2020-12)."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from tests.machine_file.make import LABELS, MACHINE, broken
from tests.machine_file.rules import LABEL_RULES, MACHINE_RULES, Rule
from verify.domain import (
    Finding,
    MadeBy,
    Measure,
    PartVerdict,
    PhotoVerdict,
    Result,
    Retake,
    RetakeReason,
    Severity,
    Timing,
)
from verify.result_json import result_to_json

SHARED = Path(__file__).resolve().parents[2] / "shared"


def validator(name: str) -> Draft202012Validator:
    schema = json.loads((SHARED / f"{name}.schema.json").read_text(encoding="utf-8"))
    Draft202012Validator.check_schema(schema)
    return Draft202012Validator(schema)


MACHINE_SCHEMA, LABELS_SCHEMA = validator("machine"), validator("labels")
RESULT_SCHEMA = validator("result")


@pytest.mark.parametrize(
    ("schema", "text"), [(MACHINE_SCHEMA, MACHINE), (LABELS_SCHEMA, LABELS)], ids=["m", "l"]
)
def test_a_good_document_is_accepted(schema: Draft202012Validator, text: str) -> None:
    schema.validate(tomllib.loads(text))


@pytest.mark.parametrize("rule", MACHINE_RULES, ids=lambda rule: rule.name)
def test_the_schema_refuses_the_machines_that_the_reader_refuses(rule: Rule) -> None:
    text, _ = broken(MACHINE, rule.old, rule.new, rule.at)
    assert MACHINE_SCHEMA.is_valid(tomllib.loads(text)) is not rule.schema


@pytest.mark.parametrize("rule", LABEL_RULES, ids=lambda rule: rule.name)
def test_the_schema_refuses_the_labels_that_the_reader_refuses(rule: Rule) -> None:
    text, _ = broken(LABELS, rule.old, rule.new, rule.at)
    assert LABELS_SCHEMA.is_valid(tomllib.loads(text)) is not rule.schema


@pytest.mark.outside
@pytest.mark.parametrize(
    ("schema", "name"), [(MACHINE_SCHEMA, "machine"), (LABELS_SCHEMA, "labels")]
)
def test_documents_that_nobody_here_made_are_accepted(
    open_data: Path, schema: Draft202012Validator, name: str
) -> None:
    text = (open_data / "screws4" / f"{name}.toml").read_text(encoding="utf-8")
    schema.validate(tomllib.loads(text))


def finding(**changes: Any) -> Finding:
    values: dict[str, Any] = {
        "id": "left-clip",
        "verdict": PartVerdict.FAULT,
        "severity": Severity.STOP,
        "expected": "closed",
        "found": "missing",
        "p_right": 0.01,
        "outline": ((1.5, 2.0), (9.0, 2.0), (5.0, 8.25)),
        "message": "The left clip is missing.",
        "fix": "Snap a clip over the hinge.",
        "offset_mm": 1.5,
        "turn_deg": -3.0,
        "measures": (Measure("gap", 1.2, "mm"),),
    }
    return Finding(**{**values, **changes})


def result(**changes: Any) -> dict[str, Any]:
    """Return a result as the product writes it."""
    unseen = finding(
        id="seal",
        verdict=PartVerdict.UNSEEN,
        found=None,
        p_right=None,
        outline=None,
        fix=None,
        offset_mm=None,
        turn_deg=None,
        measures=(),
    )
    values: dict[str, Any] = {
        "photo": "IMG_7.jpg",
        "sha256": "0" * 64,
        "machine": "harbour-2",
        "view": "lid",
        "verdict": PhotoVerdict.HOLD,
        "retake": None,
        "parts": (finding(), unseen),
        "made_by": MadeBy("0.1.0", "a" * 64, "b" * 64),
        "ms": Timing(1.0, 2.0, 3.0, 4.0, 10.0),
    }
    return result_to_json(Result(**{**values, **changes}))


REFUSED = {
    "verdict": PhotoVerdict.RETAKE,
    "retake": Retake(RetakeReason.BLUR, "Hold still and tap to focus."),
}


def test_results_that_the_product_writes_are_accepted() -> None:
    RESULT_SCHEMA.validate(result())
    RESULT_SCHEMA.validate(result(verdict=PhotoVerdict.PASS, parts=(), marked="out/IMG_7.png"))
    RESULT_SCHEMA.validate(result(**REFUSED))
    RESULT_SCHEMA.validate(result(**REFUSED, sha256=None, view=None, parts=()))


def test_keys_of_a_newer_release_are_accepted() -> None:
    newer = result()
    newer["lens"] = 1
    newer["parts"][0]["heat"] = 1
    RESULT_SCHEMA.validate(newer)


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("format",), 2),
        (("sha256",), ""),
        (("sha256",), "A" * 64),
        (("view",), 3),
        (("verdict",), "ok"),
        (("verdict",), "retake"),  # without saying why
        (("retake",), {"reason": "blur", "advice": "Hold still."}),  # of a photo that was judged
        (("parts", 0, "verdict"), "pass"),
        (("parts", 0, "p_right"), 1.2),
        (("parts", 0, "p_right"), None),  # of a part that was seen
        (("parts", 0, "p_right"), ""),
        (("parts", 0, "found"), None),
        (("parts", 0, "severity"), "halt"),
        (("parts", 0, "outline"), [[1, 2], [3, 4]]),
        (("parts", 0, "outline", 0), [1]),
        (("parts", 0, "look_at"), [1]),
        (("parts", 0, "look_at"), ["1", 2]),
        (("parts", 0, "offset_mm"), "1.5"),
        (("parts", 0, "offset_mm"), -1),
        (("parts", 0, "measures", 0, "unit"), None),
        (("made_by", "model"), ""),
        (("ms", "total"), -1),
        (("ms", "total"), "10"),
    ],
)
def test_a_broken_result_is_refused(path: tuple[str | int, ...], value: object) -> None:
    broken_result: Any = result()
    holder = broken_result
    for step in path[:-1]:
        holder = holder[step]
    holder[path[-1]] = value
    assert not RESULT_SCHEMA.is_valid(broken_result)


@pytest.mark.parametrize("key", sorted(result()))
def test_a_result_that_lacks_a_key_is_refused(key: str) -> None:
    lacking = result()
    del lacking[key]
    assert not RESULT_SCHEMA.is_valid(lacking)


# ``look_at`` came later; results from before are still results.
@pytest.mark.parametrize("key", sorted(set(result()["parts"][0]) - {"look_at"}))
def test_a_finding_that_lacks_a_key_is_refused(key: str) -> None:
    lacking = result()
    del lacking["parts"][0][key]
    assert not RESULT_SCHEMA.is_valid(lacking)


def test_a_finding_from_before_it_said_where_to_look_is_valid() -> None:
    older = result()
    del older["parts"][0]["look_at"]
    assert RESULT_SCHEMA.is_valid(older)
