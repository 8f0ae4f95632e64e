"""Judge many photos with one machine that was taught once, on several cores."""

from __future__ import annotations

import multiprocessing
from collections.abc import Iterator, Sequence
from pathlib import Path

from verify.domain import LabelledShot
from verify.vision.pipeline import Checked, Checker

_checker: Checker | None = None  # in a child: the parent's, as it was when the child began


def check_all(
    checker: Checker, shots: Sequence[LabelledShot], jobs: int
) -> Iterator[tuple[LabelledShot, Checked]]:
    """Judge shots as the views of their labels, in their order.

    Children are forked, so that what was taught is not sent to them; ``checker`` must run its
    networks on one thread (``threads=1``), since threads do not outlive a fork.
    """
    global _checker
    _checker = checker
    asked = [(shot.path, shot.view) for shot in shots]  # a label may not be pickled
    if jobs <= 1:
        yield from zip(shots, map(_check, asked), strict=True)
        return
    with multiprocessing.get_context("fork").Pool(jobs) as pool:
        yield from zip(shots, pool.imap(_check, asked), strict=True)


def _check(asked: tuple[Path, str]) -> Checked:
    assert _checker is not None
    path, view = asked
    return _checker.check(path, view=view)
