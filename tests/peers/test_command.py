"""The command from its words to the table, on real photos."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from tests.peers import __main__ as command
from verify.machine_file import MACHINE_FILE

REPOSITORY = Path(__file__).resolve().parents[2]


def run(*words: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "tests.peers", *map(str, words)],
        cwd=REPOSITORY,
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--methods", "nonsense"], "'nonsense' is none of tool, template"),
        (["--photos", "0"], "--photos must be 1 or more"),
    ],
)
def test_wrong_words_are_refused(
    words: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as ended:
        command.read_words(words)
    assert ended.value.code == 2
    assert said in capsys.readouterr().err


def test_a_set_that_is_not_there_is_named(tmp_path: Path) -> None:
    done = run("--out", tmp_path, "--set", "g", tmp_path / "none", "-", tmp_path / "l.toml")
    assert done.returncode == 2
    assert MACHINE_FILE in done.stderr


# Source of the photos: aaronzink/tensorflow-visual-inspection (Apache-2.0), see open_data.
@pytest.mark.outside
@pytest.mark.slow
def test_a_few_photos_of_the_screw_board(open_data: Path, tmp_path: Path) -> None:
    board = open_data / "screws4"
    words = ("--out", tmp_path, "--photos", 5, "--methods", "hog-points", "--no-plots")
    words = (*words, "--set", "screw board", board, "-", board / "labels.toml")
    first = run(*words)
    assert first.returncode == 0, first.stderr
    assert first.stderr.count("done") == 4  # two methods, two parts
    rows = json.loads((tmp_path / "table.json").read_text())["screw board"]["rows"]
    assert [row["method"] for row in rows] == ["tool", "tool", "hog-points"]
    assert rows[2]["looked"]["rate"] > 0.9
    assert rows[2]["part_area"]["value"] > 0.95
    assert (tmp_path / "table.md").read_text().strip() == first.stdout.strip()
    # What was said is kept: nothing is judged again, and the table is the same.
    again = run(*words)
    assert "done" not in again.stderr
    assert again.stdout == first.stdout
