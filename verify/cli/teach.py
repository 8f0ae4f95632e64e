"""``verify teach``: checks a machine folder, prepares it, says what its shots can tell apart."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated

import typer

from verify.cli.options import OneObject
from verify.cli.output import Ink, Progress, answer, answer_json, paint, rule, table, wrapped
from verify.domain import Machine
from verify.settings import read_settings
from verify.teach_report import PartCheck, TeachReport, ViewCheck, report_to_json

NOT_TOLD_APART = 3
_COLUMNS = (26, 20, -5, -9, -8, 6)


_Folder = Annotated[Path, typer.Argument(metavar="DIR", help="The machine folder.")]


def teach(folder: _Folder, as_json: OneObject = False) -> None:
    """Check a machine folder, prepare it, say what it can tell apart.

    Each reference shot is left out once and judged by the others. Ends with 0 if the folder is
    usable, 3 if it is usable but some parts cannot be told apart, 2 if it is unusable.
    """
    from verify.machine_file import read_machine

    settings = read_settings()
    machine = read_machine(folder)
    from verify.vision.teach import teach as teach_and_try  # after what may be refused: it is slow

    progress = Progress()
    report = teach_and_try(machine, cache_dir=settings.cache, progress=progress)
    progress.clear()
    if as_json:
        answer_json(json.dumps(report_to_json(report), ensure_ascii=False, allow_nan=False))
    else:
        for line in report_lines(report, machine):
            answer(line)
    raise typer.Exit(NOT_TOLD_APART if report.not_told_apart else 0)


def report_lines(report: TeachReport, machine: Machine) -> Iterator[str]:
    """Yield the report: per view and part how well its states were told, and what would help."""
    yield from wrapped(f"{machine.title}: {len(report.views)} views")
    for view in report.views:
        yield rule()
        yield from wrapped(f"{machine.view(view.view).title}: {view.shots} reference shots")
        for file in view.left_out:
            yield from wrapped(f"! {file} teaches nothing: the body was not found in it.")
        yield from _part_table(view)
        yield from _advice(view)
    yield rule()
    if report.not_told_apart:
        parts = ", ".join(f"{view} / {part}" for view, part in report.not_told_apart)
        yield from wrapped(f"Usable, but these cannot be told apart: {parts}.")
    else:
        yield "Usable."
    yield from wrapped("A few shots say little: measure on photos of your own with 'verify score'.")


def _part_table(view: ViewCheck) -> Iterator[str]:
    heads = ("part", "state", "shots", "told", "apart", "")
    rows = [row for part in view.parts for row in _rows(part)]
    first, *rest = table([heads, *rows], _COLUMNS)
    yield paint(first, Ink.STRONG)
    yield from rest


def _rows(part: PartCheck) -> Iterator[tuple[str, ...]]:
    """Yield a row for each state; the part and how well it is told stand in the first."""
    for number, state in enumerate(part.states):
        yield (
            part.part if number == 0 else "",
            state.state,
            str(state.shots),
            f"{state.told} of {state.tried}" if state.tried else "–",
            _separability(part) if number == 0 else "",
            "ALIKE" if number == 0 and not part.told_apart else "",
        )


def _separability(part: PartCheck) -> str:
    return "–" if part.separability is None else f"{part.separability:.3f}"


def _advice(view: ViewCheck) -> Iterator[str]:
    for part in view.parts:
        if part.advice:
            yield from wrapped(f"{part.part}: {part.advice}", "    ", "  → ")
