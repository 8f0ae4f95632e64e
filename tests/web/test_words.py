"""What is said of a part that was mixed up with another one."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.machine_file.make import machine_folder
from verify.domain import View
from verify.machine_file import read_machine
from verify.web import words
from verify.web.language import choose


@pytest.fixture
def lid(tmp_path: Path) -> View:
    return read_machine(machine_folder(tmp_path)).view("lid")


def found(state: str | None, verdict: str = "fault") -> dict[str, object]:
    return {"id": "left-clip", "verdict": verdict, "found": state, "message": "As it is kept."}


def test_a_swapped_part_is_named_by_what_lies_there(lid: View) -> None:
    """A state such as 'seal-there' is no word that a sentence can be made with."""
    english, spanish = choose("en"), choose("es")
    told = words.finding(found("seal-there"), lid, english)
    assert told == "Left clip: what is there looks like “Ring seal”."
    told = words.finding(found("seal-there"), lid, spanish)
    assert told == "Left clip: lo que hay parece «Ring seal»."


@pytest.mark.parametrize(
    ("state", "verdict"),
    [("missing", "fault"), ("unknown", "fault"), (None, "fault"), ("seal-there", "unsure")],
)
def test_anything_else_is_told_as_it_is_kept(lid: View, state: str | None, verdict: str) -> None:
    assert words.finding(found(state, verdict), lid, choose("en")) == "As it is kept."


def test_a_part_that_the_folder_no_longer_has_is_told_as_it_is_kept() -> None:
    assert words.finding(found("seal-there"), None, choose("en")) == "As it is kept."


def test_what_was_measured_and_is_not_usual_is_said() -> None:
    part = found("out") | {
        "turn_deg": -12.4,
        "measures": [
            {"name": "length", "value": 101.0, "unit": "%"},
            {"name": "out of place", "value": 13.6, "unit": "mm"},
            {"name": "out of place", "value": None, "unit": "mm"},
        ],
    }
    assert words.measured(part, choose("en")) == "up to 14 mm out of place, turned 12°"
    assert words.measured(part, choose("es")) == "hasta 14 mm fuera de su sitio, girada 12°"
    short = {"turn_deg": None, "measures": [{"name": "length", "value": 81.0, "unit": "%"}]}
    assert words.measured(found("short") | short, choose("en")) == "length 81 % of right ones"
    assert words.measured(found("on") | {"turn_deg": None, "measures": []}, choose("en")) == ""
