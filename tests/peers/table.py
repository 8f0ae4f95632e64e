"""The rows as a table for README and terminal, and as JSON."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from tests.peers.rows import Area, Row
from tests.peers.sets import PhotoSet
from verify.score import Proportion

BEGIN, END = "<!-- peers: begin -->", "<!-- peers: end -->"
HEADS = (
    "", "missed", "false holds", "AUROC parts", "AUROC photos", "named", "refused", "looked at",
    "ms", "MB",
)  # fmt: skip


def markdown(groups: Mapping[str, Sequence[Row]], about: Mapping[str, str]) -> str:
    """Return one table for each group of sets, with what it was counted on."""
    blocks = []
    for group, rows in groups.items():
        lines = [f"**{group[:1].upper()}{group[1:]}**: {about[group]}", ""]
        lines.append("| " + " | ".join(HEADS) + " |")
        lines.append("|---" * len(HEADS) + "|")
        lines += ["| " + " | ".join(cells(row)) + " |" for row in rows]
        blocks.append("\n".join(lines))
    return "\n\n".join([*blocks, FOOT])


FOOT = (
    "Shares and AUROC in percent with their 95 % intervals: exact for counts of independent "
    "photos, photos drawn again (bootstrap) for AUROC. *Missed*: wrong parts called right. *False "
    "holds*: photos with all parts right that did not pass. *Named*: wrong parts whose state was "
    "named. *Refused*: judgeable photos sent back; their parts count as neither caught nor "
    "missed. *Looked at*: parts that got a score at all; AUROC is of those. Every peer learnt from "
    "the same shots and drew its line where missed parts plus false holds are fewest on the tune "
    "part; this tool has one line for all machines, and a second row where it draws its line as "
    "the peers do. *ms*: median for one photo, each method on its own; *MB*: peak of the process, "
    "teaching included. Where this tool places the parts, the milliseconds include its placing; "
    "the megabytes are the peer's own."
)


def cells(row: Row) -> list[str]:
    """Return the row as texts."""
    return [
        row.title,
        share(row.missed),
        share(row.false_hold),
        percent_area(row.part_area),
        percent_area(row.photo_area),
        share(row.named),
        plain_share(row.refused),
        plain_share(row.looked),
        f"{row.ms:.0f}",
        f"{row.megabytes:.0f}",
    ]


def share(value: Proportion) -> str:
    """Return a share in percent, with its interval and its count."""
    if value.rate is None or value.interval is None:
        return "–"
    low, high = (_short(100 * limit) for limit in value.interval)
    return f"**{_short(100 * value.rate)}** ({low}–{high}), {value.count}/{value.total}"


def plain_share(value: Proportion) -> str:
    """Return a share in percent."""
    return "–" if value.rate is None else _short(100 * value.rate)


def percent_area(value: Area) -> str:
    """Return an AUROC in percent, with its interval."""
    if value.value is None or value.low is None or value.high is None:
        return "–"
    low, high = _short(100 * value.low), _short(100 * value.high)
    return f"**{_short(100 * value.value)}** ({low}–{high})"


def _short(percent: float) -> str:
    """Return a percentage with as many digits as a reader can use; 0.0 is none, 100 is all."""
    if 0 < percent < 0.05:
        return "<0.1"
    if 99.95 <= percent < 100:
        return ">99.9"
    return f"{percent:.1f}" if percent < 9.95 or 90 < percent < 100 else f"{percent:.0f}"


def about_sets(sets: Sequence[PhotoSet], teaching: str) -> str:
    """Say what a group was counted on."""
    machines = ", ".join(photo_set.name for photo_set in sets)
    shots = sum(len(view.all_shots) for s in sets for view in s.machine.views)
    views = sum(len(s.machine.views) for s in sets)
    return (
        f"{machines}; {views} {'view' if views == 1 else 'views'}, {shots} reference shots "
        f"({teaching}); {sum(len(s.tune) for s in sets)} photos to draw the line on, "
        f"{sum(len(s.test) for s in sets)} that count"
    )


def as_json(groups: Mapping[str, Sequence[Row]], about: Mapping[str, str]) -> dict[str, Any]:
    """Return the rows as plain values."""
    return {
        group: {"about": about[group], "rows": [_row(row) for row in rows]}
        for group, rows in groups.items()
    }


def _row(row: Row) -> dict[str, Any]:
    values = asdict(row)
    for name, value in values.items():
        original = getattr(row, name)
        if isinstance(original, Proportion):
            interval = original.interval
            values[name] = {
                **value,
                "rate": original.rate,
                "interval": None if interval is None else list(interval),
            }
    return {"title": row.title, **values}


def put_into(path: Path, text: str) -> None:
    """Write the tables between the two marks of a Markdown file.

    Raises:
        ValueError: the marks are not there.
    """
    whole = path.read_text(encoding="utf-8")
    if BEGIN not in whole or END not in whole.split(BEGIN, 1)[1]:
        raise ValueError(f"{path} has no lines '{BEGIN}' and '{END}'; write them where tables go")
    head, rest = whole.split(BEGIN, 1)
    _, tail = rest.split(END, 1)
    path.write_text(f"{head}{BEGIN}\n{text}\n{END}{tail}", encoding="utf-8")
