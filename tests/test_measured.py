"""Which numbers of a part are worth a word."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from verify.cli.verdicts import photo_lines
from verify.domain import (
    Finding,
    MadeBy,
    Measure,
    PartVerdict,
    PhotoVerdict,
    Result,
    Severity,
    Timing,
)
from verify.machine_file import read_machine
from verify.measured import LENGTH, OUT, noteworthy
from verify.resources import reference_images_folder

LONG, SHORT = Measure(LENGTH, 103.0, "%"), Measure(LENGTH, 81.4, "%")
ASIDE = Measure(OUT, 12.3, "mm")


@pytest.mark.parametrize(
    ("turn", "measures", "names"),
    [
        (None, (), []),
        (-2.0, (LONG,), []),
        (-12.0, (LONG,), ["turn"]),
        (None, (SHORT, ASIDE), [LENGTH, OUT]),
    ],
)
def test_what_is_as_in_right_shots_needs_no_word(
    turn: float | None, measures: tuple[Measure, ...], names: list[str]
) -> None:
    assert [taken.name for taken in noteworthy(turn, measures)] == names


def lines(verdict: PartVerdict) -> Iterator[str]:
    machine = read_machine(reference_images_folder() / "pier-3")
    finding = Finding(
        "left-gasket", verdict, Severity.STOP, "in-groove", "out", 0.01, None,
        "The left door gasket is out.", turn_deg=-15.2, measures=(SHORT, ASIDE),
    )  # fmt: skip
    result = Result(
        "a.jpg", "0" * 64, "pier-3", "door-back", PhotoVerdict.HOLD, None, (finding,),
        MadeBy("1", "2", "3"), Timing(1, 1, 1, 1, 4),
    )  # fmt: skip
    return photo_lines(result, machine, every_part=True)


def test_the_terminal_says_what_was_measured_of_a_doubted_part() -> None:
    told = " ".join(" ".join(lines(PartVerdict.FAULT)).split())
    assert "length 81 %, up to 12 mm out of place, turned 15°" in told
    assert "Measured" not in "\n".join(lines(PartVerdict.OK))
