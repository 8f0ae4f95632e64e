"""From a file to a verdict with the networks that ship, on the painted board."""

from __future__ import annotations

from pathlib import Path

import cv2
import pytest

from tests.vision.painted import PLACES, paint, write_machine
from verify.domain import PartVerdict, PhotoVerdict, RetakeReason
from verify.errors import UsageError
from verify.vision import align
from verify.vision.pipeline import Checker


@pytest.fixture(scope="module")
def checker(tmp_path_factory: pytest.TempPathFactory) -> Checker:
    return Checker(write_machine(tmp_path_factory.mktemp("machine")), threads=1)


def test_answers_are_what_the_probabilities_were_worked_out_from(
    checker: Checker, tmp_path: Path
) -> None:
    path = tmp_path / "photo.png"
    cv2.imwrite(str(path), paint(seed=5))
    checked = checker.check(path)
    judged = {f.id: f for f in checked.result.parts if f.verdict is not PartVerdict.UNSEEN}
    assert judged
    assert judged.keys() <= checked.answers.keys() <= PLACES.keys()
    for name, finding in judged.items():
        answer = checked.answers[name]
        p = checker.calibration.p_right(answer)
        displaced = finding.found == "displaced"
        assert finding.p_right is not None
        assert finding.p_right == pytest.approx(p, abs=1e-5) or (displaced and finding.p_right < p)
        assert set(answer.learnt) == {"", "missing"}  # counter-examples taught the other one
        assert answer.wrong == {}  # no shot did
    assert checked.picture is None
    assert checked.result.view == "board"


@pytest.mark.parametrize("reason", ["dark", "not-found", "unreadable"])
def test_a_photo_without_the_board_has_no_answers(
    checker: Checker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, reason: str
) -> None:
    """The aligner is made to find nothing: a board of soft noise is not what it was made for."""
    monkeypatch.setattr(align, "locate_body", lambda *_, **__: None)
    path = tmp_path / "photo.png"
    if reason == "unreadable":
        path.write_text("no picture")
    else:
        cv2.imwrite(str(path), paint() // (12 if reason == "dark" else 1))
    checked = checker.check(path, view="board")
    assert checked.result.verdict is PhotoVerdict.RETAKE
    assert checked.result.retake is not None
    assert checked.result.retake.reason is RetakeReason(reason)
    assert checked.answers == {}
    assert checked.result.parts == ()


def test_the_picture_is_kept_where_it_is_asked_for(checker: Checker, tmp_path: Path) -> None:
    path = tmp_path / "photo.png"
    cv2.imwrite(str(path), paint(seed=5))
    checked = checker.check(path, keep_picture=True)
    assert checked.picture is not None
    assert checked.picture.shape == (480, 640, 3)
    assert checked.picture_scale == 1.0


def test_a_view_that_is_not_there_is_refused(checker: Checker, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no view 'lid'; allowed: board"):
        checker.check(tmp_path / "photo.png", view="lid")
