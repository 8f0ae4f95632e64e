"""``verify check``: photos in, verdicts out."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Annotated

import typer

from verify.cli.options import MachineFolder
from verify.cli.output import Progress, answer, answer_json
from verify.cli.photos import (
    Ask,
    judge_photos,
    make_folder,
    require_photos,
    require_view,
    start_checker,
)
from verify.cli.verdicts import photo_lines, summary_lines
from verify.domain import Machine, PhotoVerdict, Result
from verify.result_json import result_line
from verify.settings import read_settings

HELD = 3
AGAIN = 4


_Photos = Annotated[
    list[Path], typer.Argument(metavar="PHOTO", help="JPEG, PNG, WebP, HEIC or HEIF.")
]
_View = Annotated[
    str | None, typer.Option(metavar="ID", help="View they show; else it is recognised.")
]
_Lines = Annotated[bool, typer.Option("--json", help="One JSON object per photo and line.")]
_Marked = Annotated[
    Path | None, typer.Option(metavar="DIR", help="Folder for photos with parts drawn on.")
]


def check(
    photos: _Photos,
    machine: MachineFolder,
    view: _View = None,
    as_json: _Lines = False,
    marked: _Marked = None,
) -> None:
    """Judge photos of a rebuilt machine, part by part.

    Ends with 0 if all pass, 3 if at least one is held, 4 if none is held but at least one must
    be taken again, 2 if the command was used wrongly.
    """
    from verify.machine_file import read_machine

    require_photos(photos)
    settings = read_settings()
    taught = read_machine(machine)
    require_view(taught, view)
    if marked is not None:
        make_folder(marked)
    progress = Progress()
    checker = start_checker(taught, settings, len(photos), progress)
    asks = [Ask(photo, str(photo), view) for photo in photos]
    results = judge_photos(checker, asks, workers=settings.workers, marked=marked)
    verdicts = _show(results, taught, len(photos), as_json=as_json)
    raise typer.Exit(exit_code(verdicts))


def exit_code(verdicts: Iterable[PhotoVerdict]) -> int:
    """Return 3 where a photo is held, else 4 where one must be taken again, else 0."""
    seen = set(verdicts)
    if PhotoVerdict.HOLD in seen:
        return HELD
    return AGAIN if PhotoVerdict.RETAKE in seen else 0


def _show(
    results: Iterable[Result], machine: Machine, photos: int, *, as_json: bool
) -> list[PhotoVerdict]:
    verdicts = []
    for result in results:
        verdicts.append(result.verdict)
        if as_json:
            answer_json(result_line(result))
            continue
        for line in photo_lines(result, machine, every_part=photos == 1):
            answer(line)
    if not as_json and photos > 1:
        for line in summary_lines(verdicts):
            answer(line)
    return verdicts
