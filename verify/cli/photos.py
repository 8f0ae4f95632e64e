"""Photos in, results out, in the order given, on all cores, marked pictures on the way."""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from verify.cli.output import Progress
from verify.domain import Machine, Result
from verify.errors import UsageError
from verify.settings import Settings

if TYPE_CHECKING:
    from verify.vision.pipeline import Checked, Checker


@dataclass(frozen=True)
class Ask:
    """One photo to judge.

    Attributes:
        path: where it lies.
        name: as it was given; the result repeats it.
        view: the view that it shows; None where that is to be recognised.
    """

    path: Path
    name: str
    view: str | None


def require_photos(paths: Sequence[Path]) -> None:
    """Refuse, before any photo is judged, what is not there or is no file.

    Raises:
        UsageError: names every path that cannot be a photo.
    """
    wrong = []
    for path in paths:
        if os.path.isdir(path):  # noqa: PTH112 - Path.is_dir raises where a folder is closed to us
            wrong.append(f"{path} is a folder; name the photos in it")
        elif not os.path.isfile(path):  # noqa: PTH113 - the same
            wrong.append(f"{path} is not there; name a photo that exists")
    if wrong:
        raise UsageError("\n".join(wrong))


def require_view(machine: Machine, view: str | None) -> None:
    """Refuse a view that the machine does not have.

    Raises:
        UsageError: names the views that it has.
    """
    known = [v.id for v in machine.views]
    if view is not None and view not in known:
        raise UsageError(f"--view {view} is not a view of {machine.id}; it has {', '.join(known)}")


def make_folder(path: Path) -> None:
    """Make the folder for marked pictures where it is missing.

    Raises:
        UsageError: it cannot be made or written to.
    """
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(f"--marked {path} cannot be made: {error.strerror}") from error
    if not os.access(path, os.W_OK | os.X_OK):
        raise UsageError(f"--marked {path} may not be written to; name another folder")


def start_checker(machine: Machine, settings: Settings, photos: int, progress: Progress) -> Checker:
    """Return a checker taught with the machine, for that many photos.

    Many photos are judged side by side with one thread each; a single one gets all cores.
    """
    from verify.vision.pipeline import Checker

    threads = 1 if min(photos, settings.workers) > 1 else settings.workers
    checker = Checker(machine, cache_dir=settings.cache, progress=progress, threads=threads)
    progress.clear()
    return checker


def judge_photos(
    checker: Checker, asks: Sequence[Ask], *, workers: int, marked: Path | None = None
) -> Iterator[Result]:
    """Yield one result for each photo, in the order given, each as soon as it is ready.

    Args:
        checker: ready to judge.
        asks: the photos.
        workers: how many are judged at the same time.
        marked: folder for the marked pictures; it must exist. The results name them.
    """

    def judge(ask: Ask) -> Result:
        checked = checker.check(
            ask.path, given_name=ask.name, view=ask.view, keep_picture=marked is not None
        )
        return checked.result if marked is None else _mark(checked, checker.machine, marked)

    if workers == 1 or len(asks) == 1:
        yield from map(judge, asks)
        return
    with ThreadPoolExecutor(max_workers=workers) as pool:
        # Only a few photos ahead of the reader, so that memory stays bounded.
        waiting: deque[Future[Result]] = deque()
        try:
            for ask in asks:
                waiting.append(pool.submit(judge, ask))
                if len(waiting) > workers:
                    yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()
        finally:
            for future in waiting:
                future.cancel()


def _mark(checked: Checked, machine: Machine, folder: Path) -> Result:
    """Write the marked picture, where there is one, and return the result that names it."""
    result, scale = checked.result, checked.picture_scale
    if checked.picture is None:
        return result
    import numpy as np

    from verify.vision.draw import draw_marked, write_marked

    view = next((view for view in machine.views if view.id == result.view), None)
    drawn = draw_marked(
        checked.picture,
        result,
        view,
        # Pixels count from the centre of the first one: its corner stays where it is.
        to_pixels=lambda points: (np.asarray(points, np.float64) + 0.5) * scale - 0.5,
    )
    return replace(result, marked=str(write_marked(folder, result, drawn)))
