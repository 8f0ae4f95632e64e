"""``verify score`` from the labelled set to the table, with the judging itself replaced."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.cli.conftest import FakeChecker, Run

LABELS = """\
format = 1
[[shot]]
file = "photos/1.jpg"
view = "door-back"
[[shot]]
file = "photos/2.jpg"
view = "door-back"
states = { left = "missing" }
[[shot]]
file = "photos/3.jpg"
view = "door-back"
states = { left = "missing" }
[[shot]]
file = "photos/4.jpg"
view = "door-back"
retake = "blur"
"""


@pytest.fixture
def labels(tmp_path: Path) -> Path:
    (tmp_path / "photos").mkdir()
    for name, content in {"1": "pass", "2": "hold", "3": "slow pass", "4": "blur"}.items():
        (tmp_path / "photos" / f"{name}.jpg").write_text(content)
    path = tmp_path / "labels.toml"
    path.write_text(LABELS)
    return path


def test_counts_come_out_with_their_intervals(
    run: Callable[..., Run], machine: Path, labels: Path
) -> None:
    done = run("score", labels, "--machine", machine, "--json")
    assert (done.code, done.err) == (0, "")
    written = json.loads(done.out)
    overall = written["overall"]
    assert (overall["missed"]["count"], overall["missed"]["total"]) == (1, 2)
    # 1 of 2: the exact 95 % limits are 1 - .975 ** .5 and .975 ** .5.
    assert overall["missed"]["interval"] == pytest.approx([1 - 0.975**0.5, 0.975**0.5])
    assert (overall["false_hold"]["count"], overall["false_hold"]["total"]) == (0, 1)
    assert (overall["refused_rightly"]["count"], overall["refused_rightly"]["total"]) == (1, 1)
    assert written["machine"] == "pier-3"
    assert [m["photo"] for m in written["mistakes"]] == ["photos/3.jpg"]


def test_each_photo_is_judged_as_the_view_of_its_label(
    run: Callable[..., Run], machine: Path, labels: Path
) -> None:
    run("score", labels, "--machine", machine)
    (checker,) = FakeChecker.made
    assert {view for _, view in checker.seen} == {"door-back"}


def test_the_table_fits_and_names_the_missed_photo(
    run: Callable[..., Run], machine: Path, labels: Path
) -> None:
    done = run("score", labels, "--machine", machine)
    assert done.code == 0
    assert all(len(line) <= 80 for line in done.out.splitlines())
    assert "1 of 2" in done.out
    assert "1.26 to 98.74 %" in done.out
    assert "missed: photos/3.jpg" in done.out


def test_a_photo_of_the_set_that_is_gone_ends_it_before_any_is_judged(
    run: Callable[..., Run], machine: Path, labels: Path
) -> None:
    (labels.parent / "photos" / "4.jpg").unlink()
    done = run("score", labels, "--machine", machine)
    assert (done.code, done.out) == (2, "")
    assert "4.jpg" in done.err
    assert not any(checker.seen for checker in FakeChecker.made)
