"""Which numbers a finding gets, by what was found, and in which units."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.vision.painted import ColourNetworks, write_machine
from tests.vision.test_gauge import BAR_GAUGE, seen, turned
from verify.domain import Fault, How, Measure, Symmetry
from verify.vision.frame import F32
from verify.vision.judge import RIGHT, Look
from verify.vision.measuring import measure
from verify.vision.prepare import teach_machine
from verify.vision.taught import PartFrame, TaughtView

FAULTS = tuple(Fault(how.value, how) for how in How)


@pytest.fixture(scope="module")
def view(tmp_path_factory: pytest.TempPathFactory) -> TaughtView:
    folder: Path = tmp_path_factory.mktemp("board") / "machine"
    return teach_machine(write_machine(folder), ColourNetworks()).views[0]  # type: ignore[arg-type]


def asked(
    view: TaughtView, maps: F32, found: str, *symmetry: Symmetry
) -> tuple[float | None, tuple[Measure, ...]]:
    """Measure the first part as if ``BAR_GAUGE`` had been learnt of it."""
    frame = view.frames[0]
    part = replace(frame.part, faults=FAULTS, symmetry=frozenset(symmetry))
    bar: PartFrame = replace(frame, part=part)
    view._gauges[part.id] = BAR_GAUGE
    return measure(view, bar, Look(maps[None], bar.mask, {RIGHT: maps[None]}), found)


def bent() -> F32:
    maps = seen(noise=0.02, seed=9)
    out = maps.copy()
    out[:, 2:, 9:] = maps[:, :-2, 9:]
    return out


def test_a_turn_is_in_degrees_and_a_length_in_per_cent(view: TaughtView) -> None:
    turn, measures = asked(view, seen(turned(15.0), noise=0.1, seed=9), "other")
    assert turn == pytest.approx(15, abs=2)
    length = next(m for m in measures if m.name == "length")
    assert (length.value, length.unit) == (pytest.approx(100, abs=8), "%")


def test_what_looks_the_same_in_any_turn_has_none(view: TaughtView) -> None:
    maps = seen(turned(15.0), noise=0.1, seed=9)
    assert asked(view, maps, "other", Symmetry.ANY_TURN)[0] is None


@pytest.mark.parametrize("how", [How.ABSENT, How.FLIPPED])
def test_what_is_not_there_or_shows_its_other_side_is_not_measured(
    view: TaughtView, how: How
) -> None:
    assert asked(view, bent(), how.value) == (None, ())


@pytest.mark.parametrize("how", list(How))
def test_out_of_place_is_told_of_what_can_be_out_of_place(view: TaughtView, how: How) -> None:
    names = {m.name for m in asked(view, bent(), how.value)[1]}
    assert ("out of place" in names) == (how in (How.DISPLACED, How.OTHER))


@pytest.mark.parametrize("found", ["fitted", "unknown", "displaced"])
def test_a_part_that_fits_no_known_fault_is_measured(view: TaughtView, found: str) -> None:
    assert any(m.name == "out of place" for m in asked(view, bent(), found)[1])


def test_millimetres_where_the_scale_is_known_else_shares(view: TaughtView) -> None:
    def out(of: TaughtView) -> Measure:
        return next(m for m in asked(of, bent(), "displaced")[1] if m.name == "out of place")

    layout = view.layout
    scaled = replace(view, layout=replace(layout, view=replace(layout.view, mm_per_px=0.5)))
    share, mm = out(view), out(scaled)
    assert (share.unit, mm.unit) == ("%", "mm")
    longer = float(np.ptp(view.frames[0].outline, axis=0).max())
    assert mm.value == pytest.approx(share.value / 100 * longer * 0.5, abs=0.3)


def test_a_right_part_is_not_out_of_place(view: TaughtView) -> None:
    names = {m.name for m in asked(view, seen(noise=0.05, seed=7), "displaced")[1]}
    assert "out of place" not in names
