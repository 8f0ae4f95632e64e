"""``verify wear``: what is fitted since when, what is in stock, what is due."""

from __future__ import annotations

import json
from typing import Annotated

import typer

from verify.cli.options import group
from verify.cli.output import Ink, answer, answer_json, paint, table, wrapped
from verify.cli.record_options import (
    AsJson,
    By,
    Count,
    MachineName,
    WearPart,
    Why,
    opened,
    signed_in,
)

wear = group()

_Ahead = Annotated[int, typer.Option(metavar="DAYS", help="Due within.")]
_Number = Annotated[int, typer.Argument(metavar="NUMBER", help="How many are there.")]


@wear.callback()
def about() -> None:
    """The wear kit of a machine: list, fit, stock.

    During a rebuild, 'verify rebuild replace' is used instead of 'fit'. Ends with 0, 2 when used
    wrongly, 5 when not allowed.
    """


@wear.command("list")
def list_them(machine: MachineName, ahead: _Ahead = 14, as_json: AsJson = False) -> None:
    """List what is fitted since when, the spares, what is due."""
    with opened() as home:
        kit, today = home.wear.kit(machine), home.wear.today(machine)
    rows = []
    for part in kit:
        due, late = part.due_on, part.is_due(today, ahead)
        if as_json:
            plain = {
                "item": part.item.id,
                "title": str(part.item.title),
                "count": part.item.count,
                "every_days": part.item.every_days,
                "fitted_on": part.fitted_on.isoformat() if part.fitted_on else None,
                "fitted_by": part.fitted_by,
                "reason": part.reason or None,
                "stock": part.stock,
                "due_on": due.isoformat() if due else None,
                "due": late,
                "short": part.short,
            }
            answer_json(json.dumps(plain, ensure_ascii=False))
            continue
        fitted = f"{part.fitted_on} {part.fitted_by or ''}" if part.fitted_on else "not known"
        when = ("DUE " if late else "") + (str(due) if due else ("–" if not late else ""))
        spare = f"{part.stock}{' SHORT' if part.short else ''}"
        rows.append((f"{part.item.id} ×{part.item.count}", fitted, when, spare))
    if not as_json:
        heads = ("part", "fitted", "due", "spares")
        first, *rest = table([heads, *rows], (24, 24, 15, 10))
        answer(paint(first, Ink.STRONG))
        for line in rest:
            answer(line)
        for line in wrapped(f"Due within {ahead} days of {today}; an age not known counts as due."):
            answer(line)


@wear.command()
def fit(machine: MachineName, item: WearPart, why: Why, by: By, count: Count = 1) -> None:
    """Write down a part that was replaced outside a rebuild."""
    with signed_in(by) as home:
        lacked = home.wear.fit(machine, item, why, count=count, by=by)
    answer(f"{machine}: {item} fitted")
    if lacked:
        answer(f"{lacked} more than the kit listed: count the spares ('verify wear stock')")


@wear.command()
def stock(machine: MachineName, item: WearPart, number: _Number, by: By) -> None:
    """Write down how many spares were counted."""
    with signed_in(by) as home:
        home.wear.set_stock(machine, item, number, by=by)
    answer(f"{machine}: {number} of {item} in the kit")
