"""A score report as tables for the terminal."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from verify.cli.output import Ink, paint, rule, table, wrapped
from verify.domain import Machine
from verify.score import Group, Probabilities, Proportion, ScoreReport

_SHOWN = 25  # photos listed; --json has them all
_COUNTS = (34, -12, -8, -21)


def score_lines(report: ScoreReport, machine: Machine) -> Iterator[str]:
    """Yield the report: overall, per view, per part, per wrong state, the mistakes."""
    yield from wrapped(f"{machine.title}: {report.overall.photos} labelled photos")
    yield from _overall(report.overall)
    if len(report.views) > 1:
        yield from _views(report)
    yield from _parts(report)
    yield from _states(report)
    yield from _mistakes(report)
    yield rule()
    yield from wrapped(
        "Intervals are exact 95 % intervals for independent photos. Photos of one rebuild, or "
        "parts in one photo, are not independent: the truth is less sure than they say."
    )


def _overall(group: Group) -> Iterator[str]:
    parts, verdicts = group.parts, group.verdicts
    rows = [
        ("wrong parts missed", parts.missed),
        ("wrong parts named as what they are", parts.named),
        ("right parts called something else", parts.false_alarm),
        ("all-right photos not passed", verdicts.false_hold),
        ("photos passed with a wrong part", verdicts.wrong_passed),
        ("judgeable photos refused", verdicts.refused),
        ("unjudgeable photos refused", verdicts.refused_rightly),
        ("  with the labelled reason", verdicts.reason_named),
        ("unjudgeable photos passed", verdicts.unjudgeable_passed),
    ]
    yield rule()
    yield from _with_heads(
        ("overall", "count", "rate", "95 % interval"),
        [(name, _count(value), _rate(value), _interval(value)) for name, value in rows],
        _COUNTS,
    )
    if parts.not_judged:
        yield from wrapped(
            f"{parts.not_judged} wrong parts are in refused photos: neither caught nor missed."
        )
    yield from wrapped(_probability_words(group.probabilities))


def _views(report: ScoreReport) -> Iterator[str]:
    yield rule()
    yield from _with_heads(
        ("by view", "missed", "named", "false hold", "refused", "AUROC"),
        [
            (
                view,
                _count(group.parts.missed),
                _count(group.parts.named),
                _count(group.verdicts.false_hold),
                _count(group.verdicts.refused),
                _auroc(group.probabilities),
            )
            for view, group in report.views.items()
        ],
        (22, -11, -11, -11, -11, -8),
    )


def _parts(report: ScoreReport) -> Iterator[str]:
    yield rule()
    yield from _with_heads(
        ("by part", "missed", "named", "false alarm", "AUROC"),
        [
            (
                f"{part.view} / {part.part}",
                _count(part.counts.missed),
                _count(part.counts.named),
                _count(part.counts.false_alarm),
                _auroc(part.probabilities),
            )
            for part in report.parts
        ],
        (36, -10, -10, -12, -7),
    )


def _states(report: ScoreReport) -> Iterator[str]:
    if not report.states:
        return
    yield rule()
    yield from _with_heads(
        ("by wrong state", "missed", "95 % interval", "named"),
        [
            (
                f"{state.view} / {state.part}: {state.state}",
                _count(state.counts.missed),
                _interval(state.counts.missed),
                _count(state.counts.named),
            )
            for state in report.states
        ],
        (40, -10, -17, -9),
    )


def _mistakes(report: ScoreReport) -> Iterator[str]:
    """Yield one entry for each photo and kind of mistake."""
    if not report.mistakes:
        return
    photos: dict[str, list[str]] = {}
    for mistake in report.mistakes:
        what = f"{mistake.part}: " if mistake.part else ""
        truth = f"is {mistake.truth}, " if mistake.truth else ""
        head = f"{mistake.kind}: {mistake.photo}, {mistake.view}"
        photos.setdefault(head, []).append(f"{what}{truth}said {mistake.said}")
    yield rule()
    yield paint("photos worth looking at", Ink.STRONG)
    for head, said in list(photos.items())[:_SHOWN]:
        yield from wrapped(f"{head}; {'; '.join(said)}", "    ", "  ")
    if len(photos) > _SHOWN:
        yield f"  … and {len(photos) - _SHOWN} more (--json lists them all)"


def _with_heads(
    heads: Sequence[str], rows: Iterable[Sequence[str]], columns: Sequence[int]
) -> Iterator[str]:
    first, *rest = table([heads, *rows], columns)
    yield paint(first, Ink.STRONG)
    yield from rest


def _count(value: Proportion) -> str:
    return f"{value.count} of {value.total}" if value.total else "–"


def _rate(value: Proportion) -> str:
    return "–" if value.rate is None else f"{100 * value.rate:.1f} %"


def _interval(value: Proportion) -> str:
    interval = value.interval
    if interval is None:
        return "–"
    return f"{100 * interval[0]:.2f} to {100 * interval[1]:.2f} %"


def _auroc(value: Probabilities) -> str:
    return "–" if value.auroc is None else f"{value.auroc:.3f}"


def _probability_words(value: Probabilities) -> str:
    if not value.n:
        return "No part came with a probability."
    said = [f"probabilities of {value.n} parts: AUROC {_auroc(value)}"]
    if value.log_loss is not None:
        said.append(
            f"log loss {value.log_loss:.4f} "
            f"(knowing only the share of right parts: {value.base_rate:.4f})"
        )
    if value.calibration_error is not None:
        said.append(f"calibration error {value.calibration_error:.4f}")
    if value.risk is not None:
        said.append(
            f"error of the surest 80 % {100 * value.risk.risk_at(0.8):.2f} %, "
            f"of all {100 * value.risk.risk_at(1):.2f} %"
        )
    return ", ".join(said) + "."
