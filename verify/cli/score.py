"""``verify score``: a labelled set in, counts with exact intervals out."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from verify.cli.options import MachineFolder, OneObject
from verify.cli.output import Progress, answer, answer_json
from verify.cli.photos import Ask, judge_photos, require_photos, start_checker
from verify.settings import read_settings

_Labels = Annotated[Path, typer.Argument(metavar="LABELS", help="The labelled set, a TOML file.")]


def score(labels: _Labels, machine: MachineFolder, as_json: OneObject = False) -> None:
    """Measure on photos whose truth is known.

    Counts what is missed and what is held for nothing, with exact 95 % intervals.

    Each photo is judged as the view that its label names. Ends with 0 when it ran, 2 if the
    command was used wrongly.
    """
    from verify.cli.score_table import score_lines
    from verify.machine_file import read_labels, read_machine
    from verify.score import report_to_json
    from verify.score import score as hold_against

    settings = read_settings()
    taught = read_machine(machine)
    labelled = read_labels(labels, taught)
    require_photos([shot.path for shot in labelled])
    progress = Progress()
    checker = start_checker(taught, settings, len(labelled), progress)
    asks = [Ask(shot.path, shot.file, shot.view) for shot in labelled]
    results = []
    for result in judge_photos(checker, asks, workers=settings.workers):
        results.append(result)
        progress(f"judged {len(results)} of {len(asks)} photos")
    progress.clear()
    report = hold_against(labelled, results)
    if as_json:
        about = {"machine": taught.id, "made_by": asdict(results[0].made_by) if results else None}
        answer_json(json.dumps({**report_to_json(report), **about}, ensure_ascii=False))
        return
    for line in score_lines(report, taught):
        answer(line)
