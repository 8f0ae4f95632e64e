"""``verify demo``: the main job on a machine folder and photos that come with the product."""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Annotated

import typer

from verify.cli.demo_choice import Rebuild, choose_rebuilds, find_labels, find_machine
from verify.cli.demo_night import show_night
from verify.cli.output import (
    Ink,
    Progress,
    answer,
    clean,
    columns_of,
    pad,
    paint,
    rule,
    width,
    wrapped,
)
from verify.cli.photos import Ask, judge_photos, make_folder, require_photos, start_checker
from verify.cli.words import CAUTIONS, PHOTO_WORDS
from verify.domain import LabelledShot, Machine, PartVerdict, PhotoVerdict, Result, by_urgency
from verify.errors import UsageError
from verify.resources import demo_data_folder, reference_images_folder
from verify.settings import read_settings

_VERDICT = 10


_Marked = Annotated[Path, typer.Option(metavar="DIR", help="Folder for the marked pictures.")]
_Machine = Annotated[Path | None, typer.Option(metavar="DIR", help="Another machine folder.")]
_Labels = Annotated[Path | None, typer.Option(metavar="FILE", help="Another labelled set.")]


_Serve = Annotated[
    bool, typer.Option("--serve", help="Serve the pages of invented stores with a history.")
]
_House = Annotated[
    Path, typer.Option(metavar="DIR", help="With --serve: folder that keeps the invented stores.")
]
_Host = Annotated[str, typer.Option(help="With --serve: address to listen on.")]
_Port = Annotated[int, typer.Option(min=1, max=65535, help="With --serve: port to listen on.")]


def demo(
    marked: _Marked = Path("verify-demo"),
    machine: _Machine = None,
    labels: _Labels = None,
    serve: _Serve = False,
    house: _House = Path("verify-demo-house"),
    host: _Host = "127.0.0.1",
    port: _Port = 8443,
) -> None:
    """Show the main job: photos judged and marked, one night's record.

    The machine and the shop are invented and the photos are rendered. Ends with 0 when it ran.
    With --serve it makes invented stores with some weeks of history instead, prints where to
    look and the PINs, and serves the pages until it is interrupted.
    """
    from verify.machine_file import read_labels, read_machine

    if serve:
        if machine or labels:
            raise UsageError("--machine and --labels are for the demonstration without --serve")
        from verify.cli.demo_house import serve_house

        serve_house(house, host, port)
        return
    started = time.perf_counter()
    settings = read_settings()
    folder = machine or find_machine(reference_images_folder())
    taught = read_machine(folder)
    set_file = labels or find_labels(demo_data_folder(), folder)
    rebuilds = choose_rebuilds(taught, read_labels(set_file, taught))
    shots = [shot for rebuild in rebuilds for shot in rebuild.shots]
    require_photos([shot.path for shot in shots])
    make_folder(marked)

    _introduce(taught, len(shots), invented=machine is None)
    progress = Progress()
    checker = start_checker(taught, settings, len(shots), progress)
    answer(f"ready to judge after {time.perf_counter() - started:.1f} s")
    asks = [Ask(shot.path, shot.file, shot.view) for shot in shots]
    said: dict[Path, Result] = {}
    judged = judge_photos(checker, asks, workers=settings.workers, marked=marked)
    results = _remembered(judged, asks, said)
    to_fix: list[str] = []
    for rebuild in rebuilds:
        to_fix += _show_rebuild(rebuild, taught, results)
    _show_fixes(to_fix)
    show_night(taught, rebuilds[0].shots, rebuilds[-1].shots, said, marked)
    _close(marked, time.perf_counter() - started)


def _remembered(
    results: Iterator[Result], asks: Sequence[Ask], said: dict[Path, Result]
) -> Iterator[Result]:
    """Yield the results, and keep each under its photo."""
    for ask, result in zip(asks, results, strict=True):
        said[ask.path] = result
        yield result


def _introduce(machine: Machine, photos: int, *, invented: bool) -> None:
    shots = sum(len(view.all_shots) for view in machine.views)
    note = " The shop and the machine are invented and the pictures rendered." if invented else ""
    text = (
        f"{machine.title}.{note} {shots} reference shots teach it, view by view; {photos} photos "
        "are to be judged. First the tool learns the shots; what it learnt is kept for next time."
    )
    for line in wrapped(text):
        answer(line)


def _show_rebuild(rebuild: Rebuild, machine: Machine, results: Iterator[Result]) -> list[str]:
    """Write a row for each photo as it is judged; return what there is to fix."""
    answer(rule())
    answer(paint(rebuild.title, Ink.STRONG))
    to_fix: list[str] = []
    for shot in rebuild.shots:
        result = next(results)
        word, ink = PHOTO_WORDS[result.verdict]
        title = clean(str(machine.view(shot.view).title))
        answer(
            f"{pad(title, width() - _VERDICT - 1)} {paint(pad(word, _VERDICT, right=True), ink)}"
        )
        for line in _remarks(shot, result, machine):
            answer(line)
        to_fix += _fixes(result, title)
    return to_fix


def _remarks(shot: LabelledShot, result: Result, machine: Machine) -> Iterator[str]:
    """Yield what was planted and what was said of it, and what was said for no reason."""
    said = {part.id: part for part in result.parts}
    for part_id, state in shot.states.items():
        title = machine.view(shot.view).part(part_id).title
        finding = said.get(part_id)
        if finding is None:
            outcome = "not judged"
        elif finding.verdict is PartVerdict.OK:
            outcome = "MISSED"
        else:
            outcome = f"{finding.verdict.value}, looks {finding.found or 'not known'}"
        yield from wrapped(f"planted: {title}, {state} → {outcome}", "      ", "    ")
    for part in result.parts:
        if part.verdict is not PartVerdict.OK and part.id not in shot.states:
            yield from wrapped(f"nothing planted, but: {part.message}", "      ", "    ")
    if result.retake is not None:
        yield from wrapped(result.retake.advice, "      ", "    ")


def _fixes(result: Result, title: str) -> list[str]:
    """Return what to do about a photo that does not pass, most urgent first."""
    if result.verdict is PhotoVerdict.PASS:
        return []
    problems, _ = by_urgency(result.parts)
    return [
        f"{title}: {part.message} {part.fix}" if part.fix else f"{title}: {part.message}"
        for part in problems
    ]


def _show_fixes(to_fix: Sequence[str]) -> None:
    answer(rule())
    answer(paint("What to fix or to look at", Ink.STRONG))
    for number, text in enumerate(to_fix, start=1):
        first = f"{number:>3}. "
        for line in wrapped(text, " " * columns_of(first), first):
            answer(line)
    if not to_fix:
        answer("  nothing")


def _close(marked: Path, seconds: float) -> None:
    answer(rule())
    answer(paint("Take care", Ink.STRONG))
    for caution in CAUTIONS:
        for line in wrapped(caution, "    ", "  ! "):
            answer(line)
    answer(rule())
    answer(f"marked pictures: {clean(str(marked.resolve()))}")
    answer(f"the whole demonstration took {seconds:.1f} s")
