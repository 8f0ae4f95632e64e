"""The same work for many shots or parts, on several cores."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

import cv2

T = TypeVar("T")
R = TypeVar("R")


def each(work: Callable[[T], R], items: Iterable[T], threads: int = 0) -> list[R]:
    """Return what ``work`` gives for each item, in their order.

    The first is done alone: it opens the networks that the others share. OpenCV, NumPy and the
    networks let go of the interpreter while they work, so that threads are enough.

    Args:
        work: may raise; what it raises comes out of here.
        items: looked at once.
        threads: most at a time; 0 means as many as OpenCV takes.
    """
    asked = list(items)
    done = [work(item) for item in asked[:1]]
    count = min(threads or cv2.getNumThreads(), len(asked) - 1)
    if count < 2:
        return done + [work(item) for item in asked[1:]]
    with ThreadPoolExecutor(count) as pool:
        return done + list(pool.map(work, asked[1:]))
