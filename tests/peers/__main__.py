"""This tool beside its peers: the same photos, the same reference shots, one run.

    python -m tests.peers [--set GROUP MACHINE TUNE TEST]... [--out DIR] [--into README.md]

Without ``--set``: the demo machines, and the open board of screws where it is. Writes under
``--out``: what every method said (``runs/``, kept and found again), ``table.md``,
``table.json`` and ``plots/``. Ends with 0 when it ran, 1 if a method failed, 2 if it was used
wrongly.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Sequence
from pathlib import Path

from tests.peers.conditions import Point, spoilt_points, tilt_points
from tests.peers.degrade import BLUR, DARK
from tests.peers.methods import METHODS, TOOL
from tests.peers.rows import TUNED_LINE, Row, by_group, gather, report_of, rows_of
from tests.peers.runs import ALL, TEST, Bench, RunError
from tests.peers.sets import PhotoSet, default_sets, read_set, thinned
from tests.peers.table import about_sets, as_json, markdown, put_into
from verify.errors import VerifyError
from verify.score import RiskCoverage

REPOSITORY = Path(__file__).resolve().parents[2]
RIGHT_SHOTS = (1, 3, 6)
SHOT_METHODS = (TOOL, "nearest", "ssim", "memory")  # those that need no fault shown


def main() -> int:
    asked = read_words(sys.argv[1:])
    try:
        sets = [thinned(each, asked.photos) for each in asked_sets(asked)]
        bench = Bench(asked.out / "runs", asked.threads, asked.anew)
        write_table(bench, sets, asked)
        if not asked.no_plots:
            for group, members in by_group(sets):
                write_plots(bench, members, asked, group.replace(" ", "-"))
    except RunError as error:
        print(f"peers: {error}", file=sys.stderr)
        return 1
    except (VerifyError, ValueError) as error:
        print(f"peers: {error}", file=sys.stderr)
        return 2
    return 0


def read_words(words: Sequence[str]) -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="python -m tests.peers",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument(
        "--set", nargs=4, action="append", metavar=("GROUP", "MACHINE", "TUNE", "TEST"),
        help="photos of one machine; TUNE '-' takes every third photo of TEST; "
        "sets of one GROUP are counted together",
    )  # fmt: skip
    parser.add_argument("--out", type=Path, default=REPOSITORY / "build" / "peers")
    parser.add_argument(
        "--methods", default=",".join(METHODS), help="some of: %(default)s (this tool always)"
    )
    parser.add_argument("--photos", type=int, help="most photos of each part of a set (all)")
    parser.add_argument("--spoilt-photos", type=int, default=40, help="most, made worse, a set")
    parser.add_argument("--threads", type=int, default=1, help="cores for every method")
    parser.add_argument("--anew", action="store_true", help="run again what is there already")
    parser.add_argument("--no-plots", action="store_true", help="the table alone")
    parser.add_argument("--into", type=Path, help="Markdown file that the table is put into")
    asked = parser.parse_args(words)
    asked.methods = [TOOL, *(name for name in asked.methods.split(",") if name != TOOL)]
    if unknown := set(asked.methods) - set(METHODS):
        parser.error(f"--methods: {sorted(unknown)[0]!r} is none of {', '.join(METHODS)}")
    for name in ("photos", "spoilt_photos", "threads"):
        if (value := getattr(asked, name)) is not None and value < 1:
            parser.error(f"--{name.replace('_', '-')} must be 1 or more, not {value}")
    return asked


def asked_sets(asked: argparse.Namespace) -> list[PhotoSet]:
    if not asked.set:
        named = os.environ.get("VERIFY_OPEN_DATA")
        beside = REPOSITORY.parent / "shared" / "open_data"
        return default_sets(Path(named) if named else beside)
    return [
        read_set(group, Path(machine), None if tune == "-" else Path(tune), Path(test))
        for group, machine, tune, test in asked.set
    ]


def write_table(bench: Bench, sets: Sequence[PhotoSet], asked: argparse.Namespace) -> None:
    """Run all methods, write the table, print it."""
    groups: dict[str, list[Row]] = {}
    about: dict[str, str] = {}
    for group, members in by_group(sets):
        groups[group] = rows_of(bench, members, asked.methods)
        about[group] = about_sets(members, "right and wrong ones")
    text = markdown(groups, about)
    asked.out.mkdir(parents=True, exist_ok=True)
    (asked.out / "table.md").write_text(text + "\n", encoding="utf-8")
    values = json.dumps(as_json(groups, about), indent=1, ensure_ascii=False)
    (asked.out / "table.json").write_text(values + "\n", encoding="utf-8")
    if asked.into is not None:
        put_into(asked.into, text)
    print(text)


def write_plots(
    bench: Bench, sets: Sequence[PhotoSet], asked: argparse.Namespace, name: str
) -> None:
    """Run what the plots need and is not there yet, and draw them."""
    from tests.peers.plots import plot_conditions, plot_reliability, plot_risk, plot_shots

    folder = asked.out / "plots"
    methods = [method for method in SHOT_METHODS if method in asked.methods]
    by_shots = {
        count: [r for r in rows_of(bench, sets, methods, f"{count} right") if r.line == TUNED_LINE]
        for count in RIGHT_SHOTS
    }
    written = plot_shots(by_shots, folder, f"{name}-shots")
    points: dict[str, Sequence[Point]] = {
        "camera tilted against the master, degrees": tilt_points(bench, sets),
        "blur, thousandths of the photo's longer side": spoilt_points(
            bench, sets, BLUR, asked.spoilt_photos
        ),
        "light taken away, stops (halvings)": spoilt_points(bench, sets, DARK, asked.spoilt_photos),
    }
    written += plot_conditions(points, folder, f"{name}-conditions")
    curves: dict[str, RiskCoverage] = {}
    for teaching in (ALL, *(f"{count} right" for count in reversed(RIGHT_SHOTS))):
        cases, _ = gather(bench, sets, TOOL, teaching, TEST)
        overall = report_of(cases, [case.result for case in cases]).overall
        if overall.probabilities.risk is not None:
            curves[f"{teaching} shots".replace("1 right shots", "1 right shot")] = (
                overall.probabilities.risk
            )
        if teaching == ALL:
            facts = probability_facts(overall.probabilities)
            written += plot_reliability(
                overall.probabilities.reliability, facts, folder, f"{name}-reliability"
            )
    written += plot_risk(curves, folder, f"{name}-risk-coverage")
    for path in written:
        print(path, file=sys.stderr)


def probability_facts(found) -> str:
    """Say in one line how good the probabilities are."""
    if found.log_loss is None:
        return "no part came with a probability"
    return (
        f"{found.n} parts, calibration error {found.calibration_error:.3f},\n"
        f"log loss {found.log_loss:.3f} (knowing only the share: {found.base_rate:.3f})"
    )


if __name__ == "__main__":
    sys.exit(main())
