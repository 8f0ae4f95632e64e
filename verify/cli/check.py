"""``verify check``: photos in, verdicts out."""

from __future__ import annotations

import sys
from collections.abc import Iterable
from pathlib import Path

import click

from verify.cli.options import PATH
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


@click.command()
@click.argument("photos", metavar="PHOTO...", nargs=-1, required=True, type=PATH)
@click.option("--machine", metavar="DIR", required=True, type=PATH, help="Folder that teaches.")
@click.option("--view", metavar="ID", help="View they show; else it is recognised.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object per photo and line.")
@click.option("--marked", metavar="DIR", type=PATH, help="Folder for photos with parts drawn on.")
def check(
    photos: tuple[Path, ...], machine: Path, view: str | None, as_json: bool, marked: Path | None
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
    sys.exit(exit_code(verdicts))


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
