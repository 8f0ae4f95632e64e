"""The table of sanitizers, row by row, against the sections it is taken from.

Figures: FDA Food Code 2022 section numbers, as confirmed in state adoptions: 4-501.114 in
Wisconsin and in Washington WAC 246-215-04565; 4-703.11 in WAC 246-215-04710; cold holding
3-501.16 in Delaware; California Health and Safety Code 114099.6. Upper limits (40 CFR 180.940(a))
are from memory.
"""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from tests.rebuild.make import CREW, SETTINGS, Play
from verify.errors import UsageError
from verify.rebuild import readings
from verify.rebuild.sanitizer import (
    Kind,
    Water,
    check_water,
    lowest_temperature,
    sanitizers,
    shortest_contact,
    strength_limits,
)


def fahrenheit(degrees: float) -> float:
    return (degrees - 32) / 1.8


# mg/L from and to, °C and °F at pH <= 10, °C and °F at pH <= 8 (4-501.114(A))
CHLORINE = [
    (25, 49, 49, 120, 49, 120),
    (50, 99, 38, 100, 24, 75),
    (100, 100, 13, 55, 13, 55),
]


@pytest.mark.parametrize("row", CHLORINE, ids=lambda row: f"{row[0]}-{row[1]}")
def test_chlorine_row_by_row(row: tuple[int, ...]) -> None:
    low, high, c10, f10, c8, f8 = row
    for strength in (low, (low + high) / 2, high):
        for ph, celsius, degrees_f in ((10, c10, f10), (8.1, c10, f10), (8, c8, f8), (6.5, c8, f8)):
            found = lowest_temperature(Water(ph=ph), strength)
            assert found == celsius
            assert found == pytest.approx(fahrenheit(degrees_f), abs=0.6)  # the code rounds


@pytest.mark.parametrize(("strength", "ph"), [(24.9, 7), (0, 7), (100, 10.1), (50, 14)])
def test_chlorine_without_a_row_is_refused(strength: float, ph: float) -> None:
    assert lowest_temperature(Water(ph=ph), strength) is None


def test_chlorine_limits() -> None:
    assert strength_limits(Water(ph=7)) == (25, 200)
    assert strength_limits(Water(ph=11)) == (None, 200)
    assert strength_limits(Water(ph=7, label_at_least=50, label_at_most=100)) == (50, 100)
    assert strength_limits(Water(ph=7, label_at_least=10, label_at_most=900)) == (25, 200)


def test_iodine() -> None:
    water = Water(kind=Kind.IODINE, ph=5.0)
    assert strength_limits(water) == (12.5, 25)
    assert lowest_temperature(water, 12.5) == 20  # 68 °F
    assert lowest_temperature(water, 12.4) is None
    assert strength_limits(Water(kind=Kind.IODINE, ph=5.1))[0] is None


def test_quat() -> None:
    water = Water(kind=Kind.QUAT, hardness=500, label_at_least=200)
    assert strength_limits(water) == (200, 400)
    assert lowest_temperature(water, 200) == 24  # 75 °F
    assert strength_limits(Water(kind=Kind.QUAT, hardness=501, label_at_least=200))[0] is None


def test_contact_times() -> None:
    """4-703.11: chlorine 10 s, 7 s only at 50 mg/L in its row; other chemicals 30 s."""
    alkaline, mild = Water(ph=10), Water(ph=8)
    assert shortest_contact(mild, 100, 24) == 10
    assert shortest_contact(mild, 50, 24) == 7
    assert shortest_contact(alkaline, 50, 38) == 7
    assert shortest_contact(mild, 50, 23.9) == 10
    assert shortest_contact(alkaline, 50, 37.9) == 10
    assert shortest_contact(mild, 50, None) == 10
    assert shortest_contact(mild, 51, 60) == 10
    assert shortest_contact(Water(kind=Kind.IODINE, ph=5), 12.5, 30) == 30
    assert shortest_contact(Water(kind=Kind.QUAT, hardness=1, label_at_least=200), 200, 30) == 30
    assert shortest_contact(Water(ph=8, label_contact=60), 100, 30) == 60


def test_the_stricter_state() -> None:
    """California 114099.6: 100 ppm chlorine 30 s, 25 ppm iodine 60 s, 200 ppm quat 60 s."""
    for kind, strength, seconds in (
        (Kind.CHLORINE, 100, 30), (Kind.IODINE, 25, 60), (Kind.QUAT, 200, 60),
    ):  # fmt: skip
        water = Water("california", kind, ph=5, hardness=100, label_at_least=0)
        assert strength_limits(water)[0] == strength
        assert shortest_contact(water, strength, 50) == seconds


def test_units_are_those_of_the_strip_and_the_thermometer() -> None:
    assert readings.to_unit(75, "ppm", "mg/L") == 75
    for row in CHLORINE:  # the code's own pairs, and no pass one degree below
        for celsius, degrees_f in ((row[2], row[3]), (row[4], row[5])):
            assert readings.to_unit(degrees_f, "°F", "°C") == celsius
            assert readings.to_unit(degrees_f - 1, "°F", "°C") < celsius
    assert readings.to_unit(42, "F", "°C") > 5
    assert readings.to_unit(74.9, "F", "°C") == 23.83
    assert readings.to_unit(41, "F", "°C") == 5  # 3-501.16: 5 °C (41 °F)
    for value, unit in ((1.0, "%"), (float("nan"), "mg/L"), (float("inf"), "mg/L")):
        with pytest.raises(UsageError):
            readings.to_unit(value, unit, "mg/L")


def test_mix_is_held_above_five_degrees() -> None:
    """Cold holding, 3-501.16: 5 °C or less; the limit stands in the plan of the demo machines."""
    folder = Path(__file__).resolve().parents[2] / "demo_data"
    steps = tomllib.loads((folder / "steps.toml").read_text(encoding="utf-8"))["step"]
    assert next(step for step in steps if step["id"] == "mix")["at_most"] == 5
    play = Play().released()
    for value, ok in ((5, True), (5.1, False), (-1, True)):
        assert play.reading("mix", value).step("mix").data["ok"] is ok
    assert play.reading("mix", 41, "°F").step("mix").data["ok"]


def test_a_weak_solution_holds_the_rebuild() -> None:
    play = Play()
    play.answer("counted")
    play.reading("strength", 20)
    assert [hold.step for hold in play.rebuild.open_holds] == ["strength"]
    assert "too low: at least 25" in play.rebuild.open_holds[0].message
    play.reading("strength", 60)
    play.reading("warmth", 23)
    assert "at least 24" in play.rebuild.open_holds[0].message
    play.reading("warmth", 75, "°F")
    assert not play.rebuild.open_holds
    assert play.rebuild.step("warmth").data["table"] == sanitizers().version


def test_a_store_without_its_sanitizer_is_told_so() -> None:
    play = Play(settings={"wait_minutes": 60})
    play.answer("counted")
    with pytest.raises(UsageError, match="sanitizer"):
        readings.read(play.rebuild, CREW, "strength", 100, None)
    assert "sanitizer" in SETTINGS


@pytest.mark.parametrize(
    ("water", "said"),
    [
        (Water(), "pH"),
        (Water(ph=15), "0 to 14"),
        (Water(kind=Kind.QUAT, hardness=1), "label"),
        (Water(kind=Kind.QUAT, label_at_least=200), "hardness"),
        (Water(ph=7, label_at_least=300), "highest allowed"),
        (Water(ph=7, label_at_least=90, label_at_most=50), "more than its highest"),
        (Water("atlantis", ph=7), "food-code-2022"),
    ],
)
def test_settings_that_the_table_cannot_be_asked_with(water: Water, said: str) -> None:
    with pytest.raises(UsageError, match=said):
        check_water(water)
