"""Fit ``calibration.json`` on labelled photos of several machines.

    python -m models.calibrate [--set MACHINE TUNE CALIBRATE]... [--miss-rate 0.01] [--out FILE]

Without ``--set``: every demo machine with its ``labels-tune.toml`` and
``labels-calibrate.toml``. Each machine is judged as taught with all its shots and with right
ones alone. The tune photos fit the curves; the calibrate photos, judged with those curves, draw
the lines by conformal risk control. Prints how good the probabilities are on machines that had
no part in the fit. Ends with 0 when both lines were drawn; 3 when examples were too few or
nothing separates right from wrong: then the old lines stay; 2 if it was used wrongly.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from models.calibration_fit import (
    Curves,
    HeldOut,
    Judged,
    Lines,
    Quality,
    Way,
    compose,
    curve_of,
    draw_lines,
    fit_curves,
    hold_out,
)
from models.shots import right_shots
from verify.domain import LabelledShot, Machine, PhotoVerdict, Result
from verify.errors import UsageError, VerifyError
from verify.machine_file import read_labels, read_machine
from verify.resources import demo_data_folder, models_folder, reference_images_folder
from verify.score import Abstained, Line
from verify.settings import usable_cores
from verify.vision.judge import RIGHT, Calibration
from verify.vision.pipeline import Checker
from verify.vision.taught import TaughtView

MISS_RATE, FALSE_RATE = 0.01, 0.02
RIGHT_SHOTS = 6  # of a machine taught with right shots alone
ALL, RIGHT_ALONE = "all shots", "right shots alone"


@dataclass(frozen=True)
class Source:
    """A machine with its two parts of labelled photos."""

    machine: Machine
    tune: tuple[LabelledShot, ...]
    calibrate: tuple[LabelledShot, ...]


def main() -> int:
    asked = read_words(sys.argv[1:])
    try:
        sources = asked_sources(asked.set)
        return calibrate(sources, asked)
    except (VerifyError, ValueError) as error:
        print(f"calibrate: {error}", file=sys.stderr)
        return 2


def read_words(words: Sequence[str]) -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="python -m models.calibrate",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--set", nargs=3, action="append", metavar=("MACHINE", "TUNE", "CALIBRATE"))
    parser.add_argument(
        "--miss-rate", type=float, default=MISS_RATE,
        help="share of a photo's wrong parts that may be called right (%(default)s)",
    )  # fmt: skip
    parser.add_argument(
        "--false-rate", type=float, default=FALSE_RATE,
        help="share of a photo's right parts that may be called a fault (%(default)s)",
    )  # fmt: skip
    parser.add_argument(
        "--out", type=Path, help="file to write (models/calibration.json); - writes none"
    )
    return parser.parse_args(words)


def asked_sources(sets: Sequence[Sequence[str]] | None) -> list[Source]:
    """Read what was asked for, or all demo machines.

    Raises:
        UsageError: there is none, or a photo is in both parts.
    """
    if sets is None:
        sets = [
            (str(folder), str(labels / "labels-tune.toml"), str(labels / "labels-calibrate.toml"))
            for folder in sorted(reference_images_folder().glob("*"))
            if (labels := demo_data_folder() / "photos" / folder.name).is_dir()
        ]
    sources = []
    for folder, tune, calibrate_labels in sets:
        machine = read_machine(Path(folder))
        source = Source(
            machine,
            read_labels(Path(tune), machine),
            read_labels(Path(calibrate_labels), machine),
        )
        tuned = {shot.path.resolve() for shot in source.tune}
        if common := tuned & {shot.path.resolve() for shot in source.calibrate}:
            raise UsageError(f"{min(common)} is in {tune} and in {calibrate_labels}")
        sources.append(source)
    if not sources:
        raise UsageError("no demo machine is there; name sets with --set MACHINE TUNE CALIBRATE")
    return sources


def calibrate(sources: Sequence[Source], asked: argparse.Namespace) -> int:
    """Fit, draw, print and write."""
    taught = list(teach(sources))
    start = taught[0].checker.calibration
    tune = judge(taught, "tune", start)
    curves = fit_curves(tune)
    fitted = with_curves(start, curves)
    as_is = judge(taught, "calibrate", start)
    final = judge(taught, "calibrate", fitted)
    for line in report(hold_out(tune, as_is), curves, tune):
        print(line)
    lines = draw_lines(final, asked.miss_rate, asked.false_rate)
    for line in report_lines(lines, asked):
        print(line)
    calibration = replace(
        fitted,
        ok_from=fitted.ok_from if lines.ok_from is None else lines.ok_from,
        fault_to=fitted.fault_to if lines.fault_to is None else lines.fault_to,
    )
    write(calibration, lines, asked, taught)
    return 0 if lines.ok_from is not None and lines.fault_to is not None else 3


# --- Judging --------------------------------------------------------------------------------


@dataclass(frozen=True)
class Taught:
    """A machine taught in one way, ready to judge its photos."""

    source: Source
    teaching: str
    checker: Checker


def teach(sources: Sequence[Source]) -> Iterator[Taught]:
    """Teach every machine with all shots and with right ones alone."""
    for source in sources:
        alone = right_shots(source.machine, RIGHT_SHOTS)
        for teaching, machine in ((ALL, source.machine), (RIGHT_ALONE, alone)):
            tell(f"{machine.id}: teaching with {teaching}")
            yield Taught(source, teaching, Checker(machine, threads=usable_cores()))


def judge(taught: Sequence[Taught], part: str, calibration: Calibration) -> list[Judged]:
    """Judge one part of all photos with a calibration, the view of each being named."""
    out: list[Judged] = []
    for each in taught:
        each.checker.calibration = calibration
        ways = {view.layout.view.id: ways_of(view) for view in each.checker.taught.views}
        shots: tuple[LabelledShot, ...] = getattr(each.source, part)
        judgeable = [shot for shot in shots if shot.retake is None]
        for number, shot in enumerate(judgeable):
            result = each.checker.check(shot.path, view=shot.view).result
            out += judged_parts(shot, result, ways[shot.view], each)
            tell(f"{each.source.machine.id}, {each.teaching}, {part}: {number + 1} of "
                 f"{len(judgeable)} photos", last=number + 1 == len(judgeable))  # fmt: skip
    return out


def judged_parts(
    shot: LabelledShot, result: Result, ways: dict[str, Way], taught: Taught
) -> Iterator[Judged]:
    """Yield the labelled parts that came with a probability; a refused photo has none."""
    if result.verdict is PhotoVerdict.RETAKE or result.view != shot.view:
        return
    for part in result.parts:
        if part.p_right is None or part.id in shot.unlabelled:
            continue
        yield Judged(
            machine=taught.source.machine.id,
            teaching=taught.teaching,
            photo=f"{shot.view}/{shot.file}",
            way=ways[part.id],
            p=part.p_right,
            right=part.id not in shot.states,
        )


def ways_of(view: TaughtView) -> dict[str, Way]:
    """Return how each part's probability comes about."""
    out = {}
    for frame in view.frames:
        beside = set(view.shots_of(frame)) != {RIGHT}
        out[frame.part.id] = Way.BESIDE if beside else Way.ALONE
    return out


def with_curves(calibration: Calibration, curves: Curves) -> Calibration:
    """Return the calibration followed by the curves."""
    alone = compose(calibration.alone, curve_of(curves, Way.ALONE))
    beside = compose(calibration.beside, curve_of(curves, Way.BESIDE))
    return replace(
        calibration, alone=(alone[0], alone[1]), beside=(beside[0], beside[1], beside[2])
    )


# --- Words and file -------------------------------------------------------------------------


def report(held_out: Sequence[HeldOut], curves: Curves, tune: Sequence[Judged]) -> Iterator[str]:
    """Yield how good the probabilities are, on each machine's calibrate photos."""
    yield "parts that fit the curves: " + ", ".join(
        f"{way.value} {sum(part.way is way for part in tune)}" for way in Way
    )
    for way, curve in curves.items():
        yield f"  {way.value}: log-odds x {curve.steep:.3f} {curve.shift:+.3f}"
    yield ""
    yield "calibrate photos                     parts  log loss  share only  calibration error"
    for machine in held_out:
        for name, found in (
            ("as it is", machine.as_is),
            ("fitted on the other machines", machine.by_others),
            ("fitted on its own tune photos", machine.by_own),
        ):
            yield f"{machine.machine:<8}{name:<30}" + _numbers(found)


def _numbers(found: Quality | None) -> str:
    if found is None:
        return "     –"
    return (
        f"{found.n:>4}{found.log_loss:>10.4f}{found.base_rate:>12.4f}"
        f"{found.calibration_error:>19.4f}"
    )


def report_lines(lines: Lines, asked: argparse.Namespace) -> Iterator[str]:
    """Yield what is promised, or why nothing is."""
    yield ""
    for name, rate, at, drawn in (
        ("ok_from", asked.miss_rate, lines.ok_from, lines.misses),
        ("fault_to", asked.false_rate, lines.fault_to, lines.faults),
    ):
        for teaching, line in drawn.items():
            if isinstance(line, Abstained):
                yield f"{name}, {teaching}: {line}"
            else:
                yield (
                    f"{name}, {teaching}: line at {line.at:.5f} from {line.examples} photos, "
                    f"their loss {100 * line.loss:.2f} %, promised {100 * line.rate:g} %"
                )
        if at is None:
            yield f"{name}: no line for {100 * rate:g} %; the old one stays"
        else:
            yield f"{name}: {at:.5f}"


def write(
    calibration: Calibration, lines: Lines, asked: argparse.Namespace, taught: Sequence[Taught]
) -> None:
    """Write the file, unless none was wanted."""
    if asked.out is not None and str(asked.out) == "-":
        return
    path = asked.out or models_folder() / "calibration.json"
    values: dict[str, Any] = {
        "alone": [round(w, 5) for w in calibration.alone],
        "beside": [round(w, 5) for w in calibration.beside],
        "ok_from": calibration.ok_from,
        "fault_to": calibration.fault_to,
        "sight_from": calibration.sight_from,
        "made": {
            "by": "python -m models.calibrate",
            "networks": taught[0].checker.networks.sha256,
            "machines": sorted({each.source.machine.id for each in taught}),
            "miss_rate": _promise(lines.misses, lines.ok_from, asked.miss_rate),
            "false_rate": _promise(lines.faults, lines.fault_to, asked.false_rate),
        },
    }
    path.write_text(json.dumps(values, indent=2) + "\n", encoding="utf-8")
    print(
        f"wrote {path}; now run 'python -m demo_data.manifest' and enter its SHA-256 in "
        "models/README.md",
        file=sys.stderr,
    )


def _promise(drawn: dict[str, Line | Abstained], at: float | None, rate: float) -> dict[str, Any]:
    return {
        "asked": rate,
        "promised": at is not None,
        "photos": {teaching: line.examples for teaching, line in drawn.items()},
    }


def tell(text: str, *, last: bool = True) -> None:
    """Show progress on standard error: written over in a terminal, last lines alone in a log."""
    if sys.stderr.isatty():
        sys.stderr.write(f"\r\x1b[K{text}")
        sys.stderr.flush()
    elif last:
        print(text, file=sys.stderr, flush=True)


if __name__ == "__main__":
    sys.exit(main())
