"""160 files broken by machine: a photo or a plain refusal, soon, and never a crash.

Source: ``malformed_images`` of the open data, from the seed corpora of libjpeg-turbo
(Apache-2.0), made by a fuzzer to break decoders.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

LONGEST = 2.0  # seconds for one file
# Reads each file and prints what came of it. In a process of its own, so that a crash of a
# decoder, or a decoder's chatter on standard error, is noticed.
SCRIPT = """
import json, sys, time
from pathlib import Path
from verify.errors import PhotoError
from verify.vision.read import ReadLimits, read_photo
limits = ReadLimits(min_pixels=int(sys.argv[2]), min_side=1)
for path in sorted(Path(sys.argv[1]).glob("*.*")):
    start = time.perf_counter()
    try:
        photo = read_photo(path, limits=limits, max_side=1600)
        answer = f"photo {photo.bgr.shape}"
    except PhotoError as error:
        answer = error.reason
    print(json.dumps([path.name, time.perf_counter() - start, answer]), flush=True)
"""


@pytest.fixture(scope="module", params=[300_000, 1], ids=["usual limits", "any size"])
def answers(request: pytest.FixtureRequest, open_data: Path) -> list[tuple[str, float, str]]:
    folder = open_data / "malformed_images"
    run = subprocess.run(
        [sys.executable, "-c", SCRIPT, str(folder), str(request.param)],
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert run.returncode == 0, run.stderr
    assert run.stderr == ""
    return [tuple(json.loads(line)) for line in run.stdout.splitlines()]


def test_every_file_gets_an_answer_soon(answers: list[tuple[str, float, str]]) -> None:
    assert len(answers) == 160
    slowest = max(answers, key=lambda answer: answer[1])
    assert slowest[1] < LONGEST, slowest


def test_every_refusal_is_plain_and_says_the_way_out(
    answers: list[tuple[str, float, str]],
) -> None:
    for name, _, answer in answers:
        if not answer.startswith("photo"):
            reason, _, way_out = answer.partition(": ")
            assert reason, name
            assert way_out.split()[0] in ("send", "save", "take"), (name, answer)
            assert "Error" not in answer, name
