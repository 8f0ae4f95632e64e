"""The rules of a verdict as the contract words them, with networks that tell colours apart."""

from __future__ import annotations

import math
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from tests.vision import painted
from tests.vision.painted import (
    COLOURS,
    HAND,
    PLACES,
    SIDE,
    SIZE,
    WRONG,
    ColourNetworks,
    paint,
    write_machine,
)
from verify.domain import PartVerdict, PhotoVerdict, RetakeReason, Severity, photo_verdict
from verify.machine_file import read_machine
from verify.vision import frame as fr
from verify.vision.align import Placement
from verify.vision.assess import PLAIN, Judged, assess
from verify.vision.judge import Calibration, Way
from verify.vision.prepare import teach_machine
from verify.vision.read import read_photo
from verify.vision.taught import TaughtView

CALIBRATION = Calibration(
    alone=Way((1.0, 0.0, 0.0, 0.0), ok_from=0.9, fault_to=0.1),
    beside=Way((0.1, 4.0, 0.0), ok_from=0.9, fault_to=0.1),
    sight_from=-1.5,
)
WHOLE = (RetakeReason.BLUR, RetakeReason.DARK, RetakeReason.GLARE)


def between(name: str, way: float = 0.25) -> tuple[int, int, int]:
    """A colour half way to where the fake networks are sure that it is another, or further."""
    right = np.array(COLOURS[name], float)
    other = np.array(WRONG, float)
    right, other = right / right.sum(), other / other.sum()
    step = way / np.abs(right - other).sum()  # 10 - 40 * 0.25: even odds
    mixed = 300 * (right + step * (other - right))
    return int(mixed[0]), int(mixed[1]), int(mixed[2])


@pytest.fixture
def taught(tmp_path: Path) -> TaughtView:
    machine = write_machine(tmp_path / "machine")
    return teach_machine(machine, ColourNetworks()).views[0]  # type: ignore[arg-type]


def judged(
    taught: TaughtView,
    picture: NDArray[np.uint8],
    folder: Path,
    photo_from_master: fr.F64,
    net: ColourNetworks | None = None,
) -> Judged:
    path = folder / "photo.png"
    cv2.imwrite(str(path), picture)
    photo_from_crop = photo_from_master @ fr.inverse(taught.layout.crop_from_master)
    given: Any = net or ColourNetworks()
    photo, placed = read_photo(path), Placement(photo_from_crop, 9.0)
    return assess(given, CALIBRATION, taught, placed, photo, fr.Levels(photo.bgr))


OK, FAULT, UNSURE, UNSEEN = PartVerdict
PASS, HOLD, RETAKE = PhotoVerdict
COVERED, GLARE = RetakeReason.COVERED, RetakeReason.GLARE
# what each part looks like: nothing said, it is right
CASES = {
    "all right": ({}, {}, PASS, None),
    "a fault on a stop part": ({"left": WRONG}, {"left": FAULT}, HOLD, None),
    "a fault on a caution part": ({"lamp": WRONG}, {"lamp": FAULT}, PASS, None),
    "a stop part that cannot be told": ({"left": "?"}, {"left": UNSURE}, HOLD, None),
    "a caution part that cannot be told": ({"lamp": "?"}, {"lamp": UNSURE}, PASS, None),
    "a covered stop part": ({"right": HAND}, {"right": UNSEEN}, RETAKE, COVERED),
    "a covered caution part": ({"lamp": HAND}, {"lamp": UNSEEN}, PASS, None),
    "glare on a stop part": ({"right": painted.GLARE}, {"right": UNSEEN}, RETAKE, GLARE),
    "a fault beside a covered part": (
        {"left": WRONG, "right": HAND}, {"left": FAULT, "right": UNSEEN}, HOLD, None,
    ),
    "a doubt beside a covered part": (
        {"left": "?", "right": HAND}, {"left": UNSURE, "right": UNSEEN}, RETAKE, COVERED,
    ),
    "a caution beside a covered part": (
        {"lamp": WRONG, "right": HAND}, {"lamp": FAULT, "right": UNSEEN}, RETAKE, COVERED,
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", CASES)
def test_the_photo_follows_from_its_parts(taught: TaughtView, tmp_path: Path, name: str) -> None:
    looks, verdicts, verdict, reason = CASES[name]
    faces = {part: between(part) if look == "?" else look for part, look in looks.items()}
    said = judged(taught, paint(faces), tmp_path, np.eye(3))

    assert said.verdict is verdict
    assert (said.retake.reason if said.retake else None) is reason
    assert [f.id for f in said.findings] == list(PLACES)  # what could be judged stays
    for finding in said.findings:
        assert finding.verdict is verdicts.get(finding.id, OK), finding
        seen = finding.verdict is not UNSEEN
        assert (finding.p_right is not None) == seen
        assert (finding.found is not None) == seen
        assert finding.severity is (Severity.CAUTION if finding.id == "lamp" else Severity.STOP)
    assert said.verdict is photo_verdict(said.findings)


def test_only_parts_that_are_not_ok_are_compared_with_wrong_states(
    tmp_path: Path, taught: TaughtView
) -> None:
    first = {part: next(e for e in taught.examples if e.part == part) for part in PLACES}
    swapped = {"left": first["right"], "right": first["left"]}
    wrong = [replace(e, part=part, state="other") for part, e in swapped.items()]
    known = replace(taught, examples=(*taught.examples, *wrong), judges={})
    said = judged(known, paint({"left": WRONG}), tmp_path, np.eye(3))
    asked = {name: set(map(math.isfinite, a.wrong.values())) for name, a in said.answers.items()}
    assert [f.verdict for f in said.findings if f.id in {"left", "right"}] == [FAULT, OK]
    assert (asked["left"], asked["right"]) == ({True}, {False})


@pytest.mark.parametrize(("p_right", "verdict"), [(0.98, UNSEEN), (0.995, OK)])
def test_a_bright_part_counts_as_seen_where_it_is_surely_right(
    taught: TaughtView,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    p_right: float,
    verdict: PartVerdict,
) -> None:
    bias = Way((0.0, 0.0, 0.0, math.log(p_right / (1 - p_right))), ok_from=0.9, fault_to=0.1)
    monkeypatch.setattr(sys.modules[__name__], "CALIBRATION", replace(CALIBRATION, alone=bias))
    said = judged(taught, paint({"right": painted.GLARE}), tmp_path, np.eye(3))
    assert {f.id: f.verdict for f in said.findings}["right"] is verdict


def test_what_is_found_has_its_name_its_place_and_its_fix(
    taught: TaughtView, tmp_path: Path
) -> None:
    said = judged(taught, paint({"left": WRONG}), tmp_path, np.eye(3))
    left, right, _ = said.findings
    assert (left.found, left.fix, left.expected) == ("missing", "Fit the plate.", "fitted")
    assert (right.found, right.fix) == ("fitted", None)
    assert left.p_right is not None
    assert right.p_right is not None
    assert 0 <= left.p_right < 0.1
    assert 0.9 < right.p_right <= 1
    x, y = PLACES["right"]
    assert right.outline is not None
    np.testing.assert_allclose(np.min(right.outline, axis=0), [x, y], atol=2)
    np.testing.assert_allclose(np.ptp(right.outline, axis=0), SIDE - 1, atol=2)


def test_a_look_that_nobody_taught_among_several_faults_is_unknown(tmp_path: Path) -> None:
    machine = write_machine(tmp_path / "machine", faults=("cracked", "bent"), how="other")
    taught = teach_machine(machine, ColourNetworks()).views[0]  # type: ignore[arg-type]
    left = judged(taught, paint({"left": WRONG}), tmp_path, np.eye(3)).findings[0]
    assert (left.verdict, left.found) == (FAULT, "unknown")


def test_a_fault_that_no_shot_shows_is_named_by_its_counter_examples(tmp_path: Path) -> None:
    machine = write_machine(tmp_path / "machine", faults=("missing",))
    file = machine.folder / "machine.toml"
    more = '[[view.part.fault]]\nstate = "cracked"\nhow = "other"\n'
    file.write_text(
        file.read_text().replace("\n[[view.part.fault]]", f"\n{more}[[view.part.fault]]")
    )
    taught = teach_machine(read_machine(machine.folder), ColourNetworks()).views[0]  # type: ignore[arg-type]
    # where the plate is absent the board shows
    x, y = PLACES["left"]
    picture = paint()
    picture[y : y + SIDE, x : x + SIDE] = picture[y + SIDE + 10 : y + 2 * SIDE + 10, x : x + SIDE]
    said = judged(taught, picture, tmp_path, np.eye(3))
    assert (said.findings[0].verdict, said.findings[0].found) == (FAULT, "missing")
    assert said.answers["left"].wrong == {}
    assert said.answers["left"].learnt_margin < 0 < said.answers["right"].learnt_margin


def test_answers_are_there_for_the_parts_that_are_in_the_picture(
    taught: TaughtView, tmp_path: Path
) -> None:
    move = np.array([[1, 0, -130], [0, 1, 0], [0, 0, 1.0]])
    picture = np.asarray(cv2.warpPerspective(paint(), move, SIZE), np.uint8)
    said = judged(taught, picture, tmp_path, move)
    assert set(said.answers) == {"right", "lamp"}
    for finding in said.findings[1:]:
        p = CALIBRATION.p_right(said.answers[finding.id])
        assert finding.p_right == pytest.approx(p, abs=1e-5)


def test_where_no_part_is_in_the_picture_nothing_is_said_of_any(
    taught: TaughtView, tmp_path: Path
) -> None:
    move = np.array([[1, 0, 900.0], [0, 1, 0], [0, 0, 1.0]])
    said = judged(taught, paint(), tmp_path, move)
    assert said.answers == {}
    assert {f.verdict for f in said.findings} == {UNSEEN}
    assert said.verdict is RETAKE
    assert said.retake is not None
    assert said.retake.reason is RetakeReason.CROPPED


def test_a_part_that_lies_well_off_its_place_is_named_displaced(
    tmp_path: Path,
) -> None:
    """The comparer says that the left plate is right, a fifth of its patch further right."""

    class Shifted(ColourNetworks):
        def compare(self, patch: fr.F32, shots: fr.F32, mask: fr.F32) -> fr.F32:
            out = super().compare(patch, shots, mask)
            red = (patch[:, 2] * mask).sum((1, 2)) > (patch[:, :2] * mask[:, None]).sum((1, 2, 3))
            out[:, 2] = np.where(red, 0.2, 0.0)
            return out

    machine = write_machine(tmp_path / "machine")
    view = teach_machine(machine, Shifted()).views[0]  # type: ignore[arg-type]
    left, right, _ = judged(view, paint(), tmp_path, np.eye(3), Shifted()).findings
    assert (left.verdict, left.found) == (FAULT, "displaced")
    assert left.p_right == pytest.approx(CALIBRATION.alone.fault_to)
    assert (right.verdict, right.found) == (OK, "fitted")


@pytest.mark.parametrize("shift", [(11.0, -9.0), (-9.0, 12.0)])
def test_a_plane_that_is_a_little_off_is_moved_towards_the_parts(
    taught: TaughtView, tmp_path: Path, shift: tuple[float, float]
) -> None:
    off = np.array([[1, 0, shift[0]], [0, 1, shift[1]], [0, 0, 1.0]])
    said = judged(taught, paint(), tmp_path, off)
    assert said.verdict is PASS
    for finding in said.findings:
        assert finding.outline is not None
        left = np.min(finding.outline, axis=0) - PLACES[finding.id]
        # colours are a blurred look, and three parts are few: see test_pose for how far it goes
        assert np.linalg.norm(left) < 0.95 * np.linalg.norm(shift)


@pytest.mark.parametrize(
    ("shift", "gone", "side"),
    [((-130, 0), "left", "left"), ((130, 0), "right", "right"), ((0, 250), "lamp", "")],
)
def test_a_part_that_is_cut_off_is_unseen(
    taught: TaughtView, tmp_path: Path, shift: tuple[int, int], gone: str, side: str
) -> None:
    move = np.array([[1, 0, shift[0]], [0, 1, shift[1]], [0, 0, 1.0]])
    picture = np.asarray(cv2.warpPerspective(paint(), move, SIZE), np.uint8)
    said = judged(taught, picture, tmp_path, move)
    verdicts = {f.id: f.verdict for f in said.findings}
    assert verdicts == {**dict.fromkeys(PLACES, OK), gone: UNSEEN}
    if gone == "lamp":  # it only cautions
        assert (said.verdict, said.retake) == (PASS, None)
        return
    assert said.verdict is RETAKE
    assert said.retake is not None
    assert said.retake.reason is RetakeReason.CROPPED
    assert side in said.retake.advice


def test_beside_a_covered_part_only_a_plain_fault_is_one(
    taught: TaughtView, tmp_path: Path
) -> None:
    odd = between("left", 0.35)
    for faces, verdict in (({"left": odd}, FAULT), ({"left": odd, "right": HAND}, UNSURE)):
        left = judged(taught, paint(faces), tmp_path, np.eye(3)).findings[0]
        assert left.p_right is not None
        assert PLAIN < left.p_right < CALIBRATION.alone.fault_to
        assert left.verdict is verdict


@pytest.mark.parametrize("reason", WHOLE)
def test_a_photo_that_is_too_poor_as_a_whole_is_taken_again(
    taught: TaughtView, tmp_path: Path, reason: RetakeReason
) -> None:
    if reason is RetakeReason.DARK:
        picture = paint() // 12
    elif reason is RetakeReason.GLARE:
        picture = np.clip(paint().astype(int) + 160, 0, 255).astype(np.uint8)
    else:
        picture = np.asarray(cv2.GaussianBlur(paint(), (0, 0), 6), np.uint8)
    said = judged(taught, picture, tmp_path, np.eye(3))
    assert said.verdict is RETAKE
    assert said.retake is not None
    assert said.retake.reason is reason
    assert said.findings == tuple(
        replace(f, verdict=UNSEEN, found=None, p_right=None) for f in said.findings
    )
    assert [f.id for f in said.findings] == list(PLACES)
    assert all(f.outline for f in said.findings)  # they are shown where they are
    assert said.answers == {}


def test_places_and_millimetres_are_those_of_the_full_photo(
    taught: TaughtView, tmp_path: Path
) -> None:
    double = fr.scaling(2.0, 2.0)
    picture = np.asarray(cv2.resize(paint(), None, fx=2, fy=2), np.uint8)
    said = judged(taught, picture, tmp_path, double)
    right = said.findings[1]
    assert said.verdict is PASS
    assert right.offset_mm is None  # the folder gives no scale
    assert right.outline is not None
    x, y = PLACES["right"]
    np.testing.assert_allclose(np.min(right.outline, axis=0), [2 * x + 0.5, 2 * y + 0.5], atol=3)
