"""Fit ``calibration.json`` on labelled photos of several machines.

    python -m models.calibrate [--set MACHINE TUNE CALIBRATE]... [--miss-rate 0.01]
        [--keep-weights] [--out FILE]

Without ``--set``: every demo machine with its ``labels-tune.toml`` and
``labels-calibrate.toml``. Each machine is judged as taught with all its shots, with right ones
alone, and twice as if nobody had shown half of its wrong states. The tune photos fit the weights;
the calibrate photos draw the lines by conformal risk control, for states that shots show. Prints
how good the probabilities are on machines that had no part in the fit, and how many wrong parts
the lines miss whose state was never shown.
Ends with 0 when all lines were drawn; 3 when examples were too few or nothing separates right
from wrong: then the old lines stay; 2 if it was used wrongly.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from models.calibration_fit import (
    HeldOut,
    Judged,
    Known,
    Lines,
    Quality,
    Weights,
    draw_lines,
    fit_weights,
    hold_out,
    p_right,
)
from models.judging import check_all
from models.shots import half_unshown, right_shots, unshown
from verify.domain import LabelledShot, Machine, PhotoVerdict
from verify.errors import UsageError, VerifyError
from verify.machine_file import read_labels, read_machine
from verify.resources import demo_data_folder, models_folder, reference_images_folder
from verify.score import Abstained
from verify.settings import usable_cores
from verify.vision.judge import Calibration, Way, features_of
from verify.vision.pipeline import Checked, Checker

MISS_RATE, FALSE_RATE = 0.01, 0.02
RIGHT_SHOTS = 6  # of a machine taught with right shots alone
ALL, RIGHT_ALONE = "all shots", "right shots alone"
HALVES = ("without one half of the wrong states", "without the other half")


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
        "--jobs", type=int, default=usable_cores(), help="photos at a time (%(default)s)"
    )
    parser.add_argument(
        "--keep-weights", action="store_true",
        help="draw new lines for the weights of now; tune photos only tell what a fit would be",
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
    tune, parts = Parts(), Parts()
    for taught in teach(sources):
        start, networks = taught.checker.calibration, taught.checker.networks.sha256
        tune.add(taught, judge(taught, taught.source.tune, "tune", asked.jobs))
        parts.add(taught, judge(taught, taught.source.calibrate, "calibrate", asked.jobs))
    weights: Weights = fit_weights(tune.known, tune.unshown)
    if asked.keep_weights:
        weights = {Known.ALONE: start.alone.weights, Known.BESIDE: start.beside.weights}
    for line in report(hold_out(tune.known, parts.known, tune.unshown), weights, tune.known):
        print(line)
    lines = draw_lines(parts.known, weights, asked.miss_rate, asked.false_rate)
    for line in report_lines(lines, asked):
        print(line)
    for line in report_unshown(parts.unshown, weights, lines):
        print(line)
    write(with_lines(start, weights, lines), lines, asked, sources, networks)
    drawn = all(one.ok_from is not None and one.fault_to is not None for one in lines.values())
    return 0 if drawn else 3


def with_lines(
    calibration: Calibration, weights: Weights, lines: Mapping[Known, Lines]
) -> Calibration:
    """Return a calibration with new weights and lines; what could not be had stays."""

    def way(old: Way, known: Known) -> Way:
        new = lines[known]
        return Way(
            weights.get(known, old.weights),
            old.ok_from if new.ok_from is None else new.ok_from,
            old.fault_to if new.fault_to is None else new.fault_to,
        )

    return replace(
        calibration,
        alone=way(calibration.alone, Known.ALONE),
        beside=way(calibration.beside, Known.BESIDE),
    )


# --- Judging --------------------------------------------------------------------------------


@dataclass(frozen=True)
class Taught:
    """A machine taught in one way, ready to judge its photos.

    Attributes:
        unshown: (view, part, state) that it was not taught though shots show them; None where
            no state was kept from it.
    """

    source: Source
    teaching: str
    checker: Checker
    unshown: frozenset[tuple[str, str, str]] | None = None


@dataclass
class Parts:
    """Judged parts of one share of the photos.

    Attributes:
        known: by all shots and by right shots alone.
        unshown: wrong ones, by machines that were not taught their state.
    """

    known: list[Judged] = field(default_factory=list)
    unshown: list[Judged] = field(default_factory=list)

    def add(self, taught: Taught, judged: list[Judged]) -> None:
        """Add what a machine that was taught in one way says."""
        (self.known if taught.unshown is None else self.unshown).extend(judged)


def teach(sources: Sequence[Source]) -> Iterator[Taught]:
    """Teach every machine with all shots, with right ones alone, and without half of the faults."""
    for source in sources:
        whole = source.machine
        ways = [(ALL, whole, None), (RIGHT_ALONE, right_shots(whole, RIGHT_SHOTS), None)]
        ways += [(HALVES[k], half_unshown(whole, k), unshown(whole, k)) for k in range(2)]
        for teaching, machine, hidden in ways:
            tell(f"{machine.id}: teaching, {teaching}")
            yield Taught(source, teaching, Checker(machine, threads=1), hidden)


def judge(taught: Taught, shots: Sequence[LabelledShot], part: str, jobs: int) -> list[Judged]:
    """Judge one part of a machine's photos, the view of each being named."""
    judgeable = [shot for shot in shots if shot.retake is None]
    out: list[Judged] = []
    for number, (shot, checked) in enumerate(check_all(taught.checker, judgeable, jobs)):
        out += judged_parts(shot, checked, taught)
        tell(f"{taught.source.machine.id}, {taught.teaching}, {part}: {number + 1} of "
             f"{len(judgeable)} photos", last=number + 1 == len(judgeable))  # fmt: skip
    return out


def judged_parts(shot: LabelledShot, checked: Checked, taught: Taught) -> Iterator[Judged]:
    """Yield the labelled parts that came with a probability; a refused photo has none.

    Of a machine that was not taught all states, only wrong parts in such a state, if something
    is known of other wrong states.
    """
    result = checked.result
    if result.verdict is PhotoVerdict.RETAKE or result.view != shot.view:
        return
    for part in result.parts:
        if part.p_right is None or part.id in shot.unlabelled:
            continue
        answer = checked.answers[part.id]
        state = (result.view, part.id, shot.states.get(part.id, ""))
        if taught.unshown is not None and not (state in taught.unshown and answer.wrong):
            continue
        yield Judged(
            machine=taught.source.machine.id,
            photo=f"{taught.teaching}: {shot.view}/{shot.file}",
            known=Known.BESIDE if answer.wrong else Known.ALONE,
            features=features_of(answer),
            right=part.id not in shot.states,
        )


# --- Words and file -------------------------------------------------------------------------


def report(held_out: Sequence[HeldOut], weights: Weights, tune: Sequence[Judged]) -> Iterator[str]:
    """Yield how good the probabilities are, on each machine's calibrate photos."""
    for known in Known:
        count = sum(part.known is known for part in tune)
        told = " ".join(f"{w:+.3f}" for w in weights.get(known, ()))
        yield f"{known.value}: {count} tune parts; weights {told or '(none)'}"
    yield ""
    yield "calibrate photos                          parts  log loss  share only  calibration error"
    for machine in held_out:
        for name, found in (
            ("fitted on the other machines", machine.by_others),
            ("fitted on its own tune photos", machine.by_own),
        ):
            yield f"{machine.machine:<8}{machine.known.value:<8}{name:<30}" + _numbers(found)


def _numbers(found: Quality | None) -> str:
    if found is None:
        return "     –"
    return (
        f"{found.n:>4}{found.log_loss:>10.4f}{found.base_rate:>12.4f}"
        f"{found.calibration_error:>19.4f}"
    )


def report_lines(lines: Mapping[Known, Lines], asked: argparse.Namespace) -> Iterator[str]:
    """Yield what is promised, or why nothing is."""
    yield ""
    for known, drawn in lines.items():
        for name, rate, at, line in (
            ("ok_from", asked.miss_rate, drawn.ok_from, drawn.miss),
            ("fault_to", asked.false_rate, drawn.fault_to, drawn.false),
        ):
            if isinstance(line, Abstained):
                yield f"{known.value}, {name}: {line}; the old one stays"
            elif at is None:
                yield f"{known.value}, {name}: no line for {100 * rate:g} %; the old one stays"
            else:
                yield (
                    f"{known.value}, {name}: {at:.5f} from {line.examples} photos, "
                    f"their loss {100 * line.loss:.2f} %, promised {100 * line.rate:g} %"
                )


def report_unshown(
    unshown: Sequence[Judged], weights: Weights, lines: Mapping[Known, Lines]
) -> Iterator[str]:
    """Yield how many wrong parts are called right whose state no shot had shown."""
    line = lines[Known.BESIDE].ok_from
    if line is None or not unshown:
        return
    yield ""
    for machine in dict.fromkeys(part.machine for part in unshown):
        p = [p_right(part, weights) for part in unshown if part.machine == machine]
        yield f"{machine}: {sum(x >= line for x in p)} of {len(p)} in a state never shown missed"


def write(
    calibration: Calibration,
    lines: Mapping[Known, Lines],
    asked: argparse.Namespace,
    sources: Sequence[Source],
    networks: str,
) -> None:
    """Write the file, unless none was wanted."""
    if asked.out is not None and str(asked.out) == "-":
        return
    path = asked.out or models_folder() / "calibration.json"
    ways = {Known.ALONE: calibration.alone, Known.BESIDE: calibration.beside}
    values: dict[str, Any] = {
        known.value: {
            "weights": [round(w, 5) for w in way.weights],
            "ok_from": way.ok_from,
            "fault_to": way.fault_to,
        }
        for known, way in ways.items()
    }
    values["sight_from"] = calibration.sight_from
    values["made"] = {
        "by": "python -m models.calibrate",
        "networks": networks,
        "machines": sorted({source.machine.id for source in sources}),
        "miss_rate": asked.miss_rate,
        "false_rate": asked.false_rate,
        "promised": {known.value: _promise(drawn) for known, drawn in lines.items()},
    }
    path.write_text(json.dumps(values, indent=2) + "\n", encoding="utf-8")
    print(
        f"wrote {path}; now run 'python -m demo_data.manifest' and enter its SHA-256 in "
        "models/README.md",
        file=sys.stderr,
    )


def _promise(drawn: Lines) -> dict[str, Any]:
    return {
        "ok_from": drawn.ok_from is not None,
        "fault_to": drawn.fault_to is not None,
        "photos": [drawn.miss.examples, drawn.false.examples],
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
