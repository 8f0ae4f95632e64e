"""What teaching says of a machine's own shots, with networks that tell colours apart."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from tests.vision import painted
from tests.vision.painted import COLOURS, SHOT, WRONG, ColourNetworks, paint, write_machine
from verify.domain import Machine
from verify.teach_report import Because, PartCheck, TeachReport
from verify.vision import align, teach
from verify.vision import frame as fr
from verify.vision.align import Placement
from verify.vision.judge import Calibration, Way

CALIBRATION = Calibration(Way((1.0, 0.0, 0.0, 0.0), 0.9, 0.1), Way((0.1, 4.0, 0.0), 0.9, 0.1), -1.5)


@pytest.fixture(autouse=True)
def colours(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every shot was taken from where the master was; the networks see colours alone."""

    def locate_body(*_: Any) -> Placement:
        low, high = np.array([20.0, 20.0]), np.array([620.0, 460.0])
        return Placement(fr.inverse(fr.fit_box(low, high, fr.CROP_SIZE, fr.CROP_GROW)), 9.0)

    class Networks(ColourNetworks):
        folder = Path()

    monkeypatch.setattr(align, "locate_body", locate_body)
    monkeypatch.setattr(teach, "Networks", Networks)
    monkeypatch.setattr(teach, "load_calibration", lambda _: CALIBRATION)


def machine(folder: Path, *pictures: tuple[np.ndarray, str]) -> Machine:
    """The board with shots, each a picture and what it shows of the left plate ('': right)."""
    folder.mkdir(parents=True)
    shots = ""
    for k, (picture, state) in enumerate(pictures, start=1):
        cv2.imwrite(str(folder / f"{k}.png"), picture)
        states = f'left = "{state}"' if state else ""
        shots += SHOT.format(file=f"{k}.png", states=states, unlabelled="[]")
    return write_machine(folder, shots=shots)


def left(report: TeachReport) -> PartCheck:
    return report.views[0].parts[0]


RIGHT_AGAIN, MISSING = (paint(seed=5), ""), (paint({"left": WRONG}), "missing")


def test_shots_that_can_be_told_apart_are_all_told(tmp_path: Path) -> None:
    again = (paint({"left": WRONG}, seed=6), "missing")
    report = teach.teach(machine(tmp_path / "m", RIGHT_AGAIN, MISSING, again))
    part = left(report)
    assert [(s.state, s.shots, s.told, s.tried) for s in part.states] == [
        ("fitted", 2, 2, 2),
        ("missing", 2, 2, 2),
    ]
    assert (part.separability, part.told_apart, part.wanted) == (1.0, True, None)
    assert report.views[0].shots == 4


def test_a_fault_whose_only_shot_is_left_out_has_no_name_but_is_no_right_one(
    tmp_path: Path,
) -> None:
    part = left(teach.teach(machine(tmp_path / "m", RIGHT_AGAIN, MISSING)))
    fitted, missing = part.states
    assert (fitted.told, fitted.tried) == (2, 2)
    assert (missing.shots, missing.told, missing.tried) == (1, 0, 1)
    assert part.separability == 1.0
    assert part.wanted is not None
    assert part.wanted.because is Because.FEW


def test_states_that_look_the_same_are_said_to(tmp_path: Path) -> None:
    # another noise each time: a shot that comes twice is told by its noise
    same = [(paint({"left": COLOURS["left"]}, seed=seed), "missing") for seed in (7, 8)]
    part = left(teach.teach(machine(tmp_path / "m", RIGHT_AGAIN, *same)))
    assert not part.told_apart
    assert part.separability is not None
    assert part.separability < teach.APART_FROM
    assert part.wanted is not None
    assert part.wanted.because is Because.TAKEN_WRONGLY


def test_the_master_alone_tries_nothing_and_asks_for_another_shot(tmp_path: Path) -> None:
    report = teach.teach(machine(tmp_path / "m"))
    for part in report.views[0].parts:
        assert part.separability is None
        assert part.states[0].tried == 0
        assert part.wanted is not None
        assert (part.wanted.state, part.wanted.because) == ("fitted", Because.FEW_RIGHT)
    assert len(report.views[0].parts) == len(painted.PLACES)
