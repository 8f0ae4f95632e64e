"""Measure on large labelled sets what all shots of a machine bring, and right shots alone.

    python -m models.measure --set MACHINE LABELS [--set ...] [--right-shots 6 3 1] [--thin 5]

Every machine is taught with all its shots, and once for each number of ``--right-shots`` with so
many right ones and no fault; the labelled photos are judged as the views of their labels. Of the
teachings but the first only every ``--thin``-th photo is judged. Prints one line for each machine
and way of teaching, and one for all machines together, as a Markdown table with exact 95 %
intervals. ``--detail`` adds what was made of each view and each wrong state with all shots.
``--kept FILE`` gets every mistake, one JSON object a line: wrong parts that were missed, right
photos that were held, judgeable ones that were refused and others that were passed. Ends with 0
when it ran, 2 if it was used wrongly.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict
from pathlib import Path

from models.judging import check_all
from models.shots import right_shots
from verify.domain import LabelledShot, Machine, Result
from verify.errors import VerifyError
from verify.machine_file import read_labels, read_machine
from verify.score import Proportion, ScoreReport, score
from verify.settings import usable_cores
from verify.vision.pipeline import Checked, Checker

ALL = "all shots"
VIEW_HEADS = ("machine", "view", "wrong parts missed", "named", "right photos held", "AUROC")
STATE_HEADS = ("view", "wrong state", "missed", "named")
HEADS = (
    "taught with", "machine", "photos", "wrong parts missed", "named", "right photos held",
    "wrong photos passed", "judgeable refused", "AUROC", "log loss", "calibration error",
)  # fmt: skip


def main() -> int:
    asked = read_words(sys.argv[1:])
    try:
        sets = [(read_machine(Path(folder)), Path(labels)) for folder, labels in asked.set]
        labelled = [(machine, read_labels(labels, machine)) for machine, labels in sets]
        print(head(HEADS), flush=True)
        whole = measure(labelled, None, asked)
        for count in asked.right_shots:
            measure([(m, shots[:: asked.thin]) for m, shots in labelled], count, asked)
        if asked.detail:
            print(f"\n{head(VIEW_HEADS)}", *view_lines(whole), sep="\n")
            print(f"\n{head(STATE_HEADS)}", *state_lines(whole), sep="\n")
    except (VerifyError, ValueError) as error:
        print(f"measure: {error}", file=sys.stderr)
        return 2
    return 0


def read_words(words: Sequence[str]) -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="python -m models.measure",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument(
        "--set", nargs=2, action="append", required=True, metavar=("MACHINE", "LABELS")
    )
    parser.add_argument("--right-shots", nargs="*", type=int, default=(), metavar="COUNT")
    parser.add_argument("--thin", type=int, default=1, help="for right shots alone (%(default)s)")
    parser.add_argument("--detail", action="store_true", help="tables of views and wrong states")
    parser.add_argument("--kept", type=Path, help="file for the mistakes")
    parser.add_argument(
        "--jobs", type=int, default=usable_cores(), help="photos at a time (%(default)s)"
    )
    asked = parser.parse_args(words)
    if any(count < 1 for count in asked.right_shots):
        parser.error("--right-shots must be 1 or more: the master is one of them")
    if asked.thin < 1:
        parser.error(f"--thin must be 1 or more, not {asked.thin}")
    return asked


def measure(
    sets: Sequence[tuple[Machine, Sequence[LabelledShot]]],
    count: int | None,
    asked: argparse.Namespace,
) -> dict[str, ScoreReport]:
    """Teach every machine with ``count`` right shots (None: all shots), judge, print, return."""
    taught = ALL if count is None else f"{count} right"
    every: list[tuple[LabelledShot, Result]] = []
    reports = {}
    for machine, shots in sets:
        less = machine if count is None else right_shots(machine, count)
        checker = Checker(less, threads=1)
        pairs = [(s, c.result) for s, c in judged(checker, shots, asked.jobs, taught)]
        report = reports[machine.id] = report_of(pairs)
        keep(asked.kept, taught, machine.id, report)
        print(line(taught, machine.id, report), flush=True)
        every += pairs
    if len(sets) > 1:
        print(line(taught, "together", report_of(every)), flush=True)
    return reports


def judged(
    checker: Checker, shots: Sequence[LabelledShot], jobs: int, taught: str
) -> Iterator[tuple[LabelledShot, Checked]]:
    """Judge photos, and say how far it is."""
    for number, pair in enumerate(check_all(checker, shots, jobs), start=1):
        if number % 50 == 0 or number == len(shots):
            print(f"{checker.machine.id}, {taught}: {number} of {len(shots)}", file=sys.stderr)
        yield pair


def report_of(pairs: Sequence[tuple[LabelledShot, Result]]) -> ScoreReport:
    """Hold results against their labels."""
    return score([shot for shot, _ in pairs], [result for _, result in pairs])


def line(taught: str, machine: str, report: ScoreReport) -> str:
    """Return one line of the table."""
    group = report.overall
    parts, verdicts, p = group.parts, group.verdicts, group.probabilities
    shares = (
        parts.missed, parts.named, verdicts.false_hold, verdicts.wrong_passed, verdicts.refused,
    )  # fmt: skip
    numbers = (p.auroc, p.log_loss, p.calibration_error)
    cells = [taught, machine, str(group.photos), *map(_share, shares), *map(_number, numbers)]
    return "| " + " | ".join(cells) + " |"


def head(names: Sequence[str]) -> str:
    """Return the two lines that a Markdown table begins with."""
    return "| " + " | ".join(names) + " |\n|" + "---|" * len(names)


def view_lines(reports: Mapping[str, ScoreReport]) -> Iterator[str]:
    """Yield a line for each view of each machine."""
    for machine, report in reports.items():
        for view, group in report.views.items():
            shares = group.parts.missed, group.parts.named, group.verdicts.false_hold
            cells = [machine, view, *map(_share, shares), _number(group.probabilities.auroc)]
            yield "| " + " | ".join(cells) + " |"


def state_lines(reports: Mapping[str, ScoreReport]) -> Iterator[str]:
    """Yield a line for each wrong state of each view, all machines and parts together."""
    missed: dict[tuple[str, str], Proportion] = {}
    named: dict[tuple[str, str], Proportion] = {}
    for row in (row for report in reports.values() for row in report.states):
        key = (row.view, row.state)
        missed[key] = _sum(missed.get(key), row.counts.missed)
        named[key] = _sum(named.get(key), row.counts.named)
    for key, share in missed.items():
        yield "| " + " | ".join([*key, _share(share), _share(named[key])]) + " |"


def _sum(one: Proportion | None, other: Proportion) -> Proportion:
    return other if one is None else Proportion(one.count + other.count, one.total + other.total)


def _share(value: Proportion) -> str:
    if not value.total:
        return "none"
    low, high = (100 * limit for limit in value.interval)
    return f"{value.count} of {value.total} ({low:.1f} to {high:.1f} %)"


def _number(value: float | None) -> str:
    return "–" if value is None else f"{value:.4f}"


def keep(file: Path | None, taught: str, machine: str, report: ScoreReport) -> None:
    """Append the mistakes to a file, if one was asked for."""
    if file is None:
        return
    with file.open("a", encoding="utf-8") as out:
        for mistake in report.mistakes:
            row = {"taught": taught, "machine": machine, **asdict(mistake)}
            out.write(json.dumps(row, ensure_ascii=False) + "\n")


if __name__ == "__main__":
    raise SystemExit(main())
