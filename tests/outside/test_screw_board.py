"""The whole job on real phone photos that nobody here made: four screw positions on a board.

Source: aaronzink/tensorflow-visual-inspection, training photos (Apache-2.0), in
``open_data/screws4``; the truth is in its file names.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from verify.machine_file import read_labels, read_machine
from verify.score import score
from verify.vision.pipeline import Checker

pytestmark = [pytest.mark.outside, pytest.mark.slow]


def test_board_of_screws(open_data: Path, tmp_path: Path) -> None:
    folder = open_data / "screws4"
    machine = read_machine(folder)
    labels = read_labels(folder / "labels.toml", machine)
    checker = Checker(machine, cache_dir=tmp_path)
    report = score(labels, [checker.check(label.path).result for label in labels])

    # No screw that is not there is called present, and no photo is turned away. The bound on
    # false holds (1 of 24 was measured) is to fall, never to rise.
    overall = report.overall
    assert overall.parts.missed.total == 127
    assert overall.parts.missed.count == 0
    assert overall.verdicts.refused.count == 0
    assert overall.verdicts.false_hold.count <= 3
    assert overall.probabilities.auroc is not None
    assert overall.probabilities.auroc >= 0.999
