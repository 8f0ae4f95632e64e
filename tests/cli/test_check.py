"""``verify check`` as the contract words it, with the judging itself replaced."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from PIL import Image

from tests.cli.conftest import FakeChecker, Run
from tests.score.make import finding
from verify.domain import Severity, by_urgency

Runner = Callable[..., Run]
Maker = Callable[[str, str], Path]


@pytest.mark.parametrize(
    ("contents", "code"),
    [
        (["pass"], 0),
        (["pass", "pass"], 0),
        (["hold"], 3),
        (["unsure"], 3),
        (["blur"], 4),
        (["junk"], 4),
        (["pass", "blur"], 4),
        (["blur", "hold", "pass"], 3),
    ],
)
def test_exit_code_follows_the_verdicts(
    run: Runner, machine: Path, photo: Maker, contents: list[str], code: int
) -> None:
    photos = [photo(f"{k}.jpg", content) for k, content in enumerate(contents)]
    assert run("check", *photos, "--machine", machine).code == code
    assert run("check", *photos, "--machine", machine, "--json").code == code


def test_json_is_one_object_per_line_in_the_order_given_and_nothing_else(
    run: Runner, machine: Path, photo: Maker
) -> None:
    contents = ["slow pass", "hold", "slow blur", "junk", "pass", "unsure", "slow hold", "pass"]
    photos = [photo(f"{k}.jpg", content) for k, content in enumerate(contents)]
    done = run("check", *photos, "--machine", machine, "--json")
    results = [json.loads(line) for line in done.out.splitlines()]
    assert [result["photo"] for result in results] == [str(path) for path in photos]
    verdicts = [result["verdict"] for result in results]
    assert verdicts == ["pass", "hold", "retake", "retake", "pass", "hold", "hold", "pass"]
    assert done.err == ""
    (checker,) = FakeChecker.made
    assert checker.most_at_once > 1
    assert checker.given["threads"] == 1


def test_one_photo_gets_all_cores(run: Runner, machine: Path, photo: Maker) -> None:
    run("check", photo("1.jpg", "pass"), "--machine", machine)
    (checker,) = FakeChecker.made
    assert checker.given["threads"] == 4


def test_the_photo_is_named_as_it_was_given(
    run: Runner, machine: Path, photo: Maker, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = photo("a/1.jpg", "pass")
    monkeypatch.chdir(path.parent.parent)
    done = run("check", "a/1.jpg", "--machine", machine, "--json")
    assert json.loads(done.out)["photo"] == "a/1.jpg"


def test_the_view_is_passed_on_or_left_to_be_recognised(
    run: Runner, machine: Path, photo: Maker
) -> None:
    path = photo("1.jpg", "pass")
    run("check", path, "--machine", machine)
    run("check", path, "--machine", machine, "--view", "door-back")
    assert [checker.seen[0][1] for checker in FakeChecker.made] == [None, "door-back"]


WRONG_USE = {
    "no photo": (["check", "--machine", "{machine}"], "PHOTO"),
    "no machine": (["check", "{photo}"], "--machine"),
    "a photo that is not there": (
        ["check", "{photo}", "gone.jpg", "--machine", "{machine}"],
        "gone.jpg is not there",
    ),
    "a folder as photo": (["check", "{folder}", "--machine", "{machine}"], "is a folder"),
    "no machine folder": (["check", "{photo}", "--machine", "{folder}/none"], "none"),
    "an unknown view": (
        ["check", "{photo}", "--machine", "{machine}", "--view", "roof"],
        "it has door-back",
    ),
    "an unknown option": (["check", "{photo}", "--machine", "{machine}", "--loud"], "--loud"),
    "a file in place of the folder for marked pictures": (
        ["check", "{photo}", "--machine", "{machine}", "--marked", "{photo}"],
        "--marked",
    ),
    "an unknown command": (["look"], "look"),
    "a labelled set that is not there": (
        ["score", "none.toml", "--machine", "{machine}"],
        "none.toml",
    ),
}


@pytest.mark.parametrize("name", WRONG_USE)
def test_wrong_use_ends_with_2_before_any_photo_is_judged(
    run: Runner, machine: Path, photo: Maker, tmp_path: Path, name: str
) -> None:
    words, named = WRONG_USE[name]
    places = {"machine": machine, "photo": photo("1.jpg", "pass"), "folder": tmp_path}
    done = run(*(word.format(**places) for word in words))
    assert done.code == 2
    assert named in done.err
    assert done.out == ""
    assert "Traceback" not in done.err
    assert not any(checker.seen for checker in FakeChecker.made)


def test_a_broken_machine_file_is_told_with_its_line(
    run: Runner, machine: Path, photo: Maker
) -> None:
    text = (machine / "machine.toml").read_text().replace('expect = "seated"', "expect = 5", 1)
    (machine / "machine.toml").write_text(text)
    done = run("check", photo("1.jpg", "pass"), "--machine", machine)
    assert done.code == 2
    line = text.splitlines().index("  expect = 5") + 1
    assert f"line {line}" in done.err
    assert all(said.startswith("verify: ") for said in done.err.splitlines())


@pytest.mark.parametrize("value", ["0", "two", "-1", "1.5"])
def test_a_setting_that_cannot_be_used_is_wrong_use(
    run: Runner, machine: Path, photo: Maker, monkeypatch: pytest.MonkeyPatch, value: str
) -> None:
    monkeypatch.setenv("VERIFY_WORKERS", value)
    done = run("check", photo("1.jpg", "pass"), "--machine", machine)
    assert (done.code, done.out) == (2, "")
    assert "VERIFY_WORKERS" in done.err


def test_equal_names_never_collide_in_the_marked_folder(
    run: Runner, machine: Path, photo: Maker, tmp_path: Path
) -> None:
    # The same name twice with the same content, once with another, and a name with two dots.
    photos = [
        photo("a/1.jpg", "pass"),
        photo("b/1.jpg", "pass"),
        photo("c/1.jpg", "hold"),
        photo("c/1.jpg.jpg", "pass"),
        photo("c/blurred.jpg", "blur"),
        photo("c/junk.jpg", "junk"),
    ]
    marked = tmp_path / "deep" / "marked"
    done = run("check", *photos, "--machine", machine, "--json", "--marked", marked)
    named = [json.loads(line)["marked"] for line in done.out.splitlines()]
    assert named[5] is None  # there is no picture to draw on
    assert len(set(named[:5])) == 5
    assert {Path(name) for name in named[:5]} == set(marked.iterdir())
    for name in named[:5]:
        with Image.open(name) as picture:
            picture.verify()


def test_numbers_in_the_table_are_those_on_the_marked_picture() -> None:
    # The most urgent first: a fault that stops, a doubt that stops, then what only cautions.
    parts = [
        finding("a", "ok"),
        finding("b", "fault", "missing", severity=Severity.CAUTION),
        finding("c", "unsure"),
        finding("d", "fault", "missing"),
        finding("e", "unseen"),
    ]
    problems, right = by_urgency(parts)
    assert [part.id for part in problems] == ["d", "c", "e", "b"]
    assert [part.id for part in right] == ["a"]


def test_the_table_fits_and_tells_all_in_words(
    run: Runner, machine: Path, photo: Maker, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "200")
    long = "a" * 100
    photos = [photo(f"{long}.jpg", "hold"), photo("2.jpg", "blur"), photo("3.jpg", "pass")]
    done = run("check", *photos, "--machine", machine)
    assert all(len(line) <= 80 for line in done.out.splitlines())
    assert "\x1b" not in done.out
    for word in ("HOLD", "TAKE AGAIN", "PASS", "WRONG", "missing", "tap to focus"):
        assert word in done.out
    assert "3 photos: 1 PASS, 1 HOLD, 1 TAKE AGAIN" in done.out


def test_a_single_photo_is_shown_with_every_part(run: Runner, machine: Path, photo: Maker) -> None:
    done = run("check", photo("1.jpg", "hold"), "--machine", machine)
    assert "Left front bushing" in done.out
    assert "Right front bushing" in done.out
    assert "1 right, 1 wrong" in done.out


def test_names_with_control_characters_cannot_move_the_cursor(
    run: Runner, machine: Path, photo: Maker
) -> None:
    done = run("check", photo("1\x1b[2J\n.jpg", "pass"), "--machine", machine)
    assert done.code == 0
    assert "\x1b" not in done.out
    said = run("check", photo("1\x1b[2J\n.jpg", "pass"), "--machine", machine, "--json")
    assert len(said.out.splitlines()) == 1
    assert json.loads(said.out)["photo"].endswith("1\x1b[2J\n.jpg")


ALONE = """
import sys, tests.cli.conftest as fake
from types import SimpleNamespace
sys.modules["verify.vision.pipeline"] = SimpleNamespace(Checker=fake.FakeChecker)
from verify.cli.main import main
main()
"""


def run_alone(*words: str, **env: str) -> subprocess.CompletedProcess[bytes]:
    """Run in a process of its own, with real streams."""
    return subprocess.run(
        [sys.executable, "-c", ALONE, *words], capture_output=True, env={**os.environ, **env}
    )


def test_json_is_utf_8_whatever_the_terminal_speaks(machine: Path, photo: Maker) -> None:
    path = photo("café ☃.jpg", "pass")
    done = run_alone(
        "check", str(path), "--machine", str(machine), "--json", PYTHONIOENCODING="ascii"
    )
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout.decode())["photo"] == str(path)
    table = run_alone("check", str(path), "--machine", str(machine), PYTHONIOENCODING="ascii")
    assert table.returncode == 0, table.stderr


@pytest.mark.skipif(sys.platform != "linux", reason="names that are no text exist on Linux")
def test_a_name_that_is_no_text_is_judged(machine: Path, tmp_path: Path) -> None:
    path = os.fsencode(tmp_path) + b"/\xff.jpg"
    Path(os.fsdecode(path)).write_text("pass")
    done = run_alone("check", os.fsdecode(path), "--machine", str(machine), "--json")
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["photo"] == os.fsdecode(path)


def test_a_reader_that_goes_away_ends_it_without_a_trace(machine: Path, photo: Maker) -> None:
    paths = [str(photo(f"{k}.jpg", "pass")) for k in range(20)]
    command = [sys.executable, "-c", ALONE, "check", *paths, "--machine", str(machine), "--json"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.readline()
        process.stdout.close()
        assert b"Traceback" not in process.stderr.read()
        assert process.wait() == 141


@pytest.mark.skipif(sys.platform == "win32", reason="signals of a terminal")
def test_an_interrupt_is_no_fault_of_the_program(machine: Path, photo: Maker) -> None:
    paths = [str(photo(f"{k}.jpg", "slow pass")) for k in range(40)]
    command = [sys.executable, "-c", ALONE, "check", *paths, "--machine", str(machine), "--json"]
    env = {**os.environ, "VERIFY_WORKERS": "1"}
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=env
    ) as process:
        assert process.stdout is not None
        process.stdout.readline()
        process.send_signal(signal.SIGINT)
        _, said = process.communicate()
    assert process.returncode == 130
    assert b"Traceback" not in said
