"""From plain tables back to the domain's values, as ``plain`` makes them.

Nothing is checked here: what is read was written by this product. A machine that is being set
up may lack what the format asks for, such as a picture or parts; ``parse_machine`` refuses it
as long as it does.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any

from verify.domain import (
    Fault,
    How,
    Machine,
    Outline,
    Part,
    Phase,
    ReadingRule,
    Severity,
    Shot,
    Step,
    StepKind,
    Symmetry,
    Text,
    View,
    WearItem,
)

Plain = Mapping[str, Any]


def machine_from_plain(plain: Plain, folder: Path) -> Machine:
    """Return the machine that ``machine_to_plain`` wrote; its pictures lie in ``folder``."""
    head = plain["machine"]
    views = tuple(view_from_plain(view) for view in plain["view"])
    steps = tuple(_step(step) for step in plain.get("step", ()))
    return Machine(head["id"], _text(head["title"]), folder, views, steps)


def view_from_plain(plain: Plain) -> View:
    """Return the view that ``view_to_plain`` wrote."""
    width, height = plain["master"]["size"]
    return View(
        id=plain["id"],
        title=_text(plain["title"]),
        ask=_text(plain["ask"]),
        master=plain["master"]["file"],
        size=(int(width), int(height)),
        parts=tuple(part_from_plain(part) for part in plain["part"]),
        shots=tuple(_shot(shot) for shot in plain.get("shot", ())),
        mm_per_px=plain.get("mm_per_px"),
        body=_outline(plain["body"]) if "body" in plain else None,
    )


def part_from_plain(plain: Plain) -> Part:
    """Return the part that ``part_to_plain`` wrote."""
    return Part(
        id=plain["id"],
        title=_text(plain["title"]),
        outline=_outline(plain["outline"]),
        expect=plain["expect"],
        severity=Severity(plain["severity"]),
        alike=plain.get("alike"),
        symmetry=frozenset(map(Symmetry, plain.get("symmetry", ()))),
        faults=tuple(_fault(fault) for fault in plain.get("fault", ())),
    )


def _fault(plain: Plain) -> Fault:
    return Fault(
        state=plain["state"],
        how=How(plain["how"]),
        fix=_text(plain["fix"]) if "fix" in plain else None,
        turn_deg=plain.get("turn_deg"),
        with_part=plain.get("with"),
    )


def _shot(plain: Plain) -> Shot:
    states = MappingProxyType(dict(plain.get("states", {})))
    return Shot(plain["file"], states, frozenset(plain.get("unlabelled", ())))


_TEXTS = ("title", "ask", "why", "if_not", "quantity")


def _step(plain: Plain) -> Step:
    values: dict[str, Any] = {k: _text(v) if k in _TEXTS else v for k, v in plain.items()}
    values["phase"], values["kind"] = Phase(plain["phase"]), StepKind(plain["kind"])
    if "rule" in plain:
        values["rule"] = ReadingRule(plain["rule"])
    values["wear"] = tuple(
        WearItem(**{**item, "title": _text(item["title"])}) for item in plain.get("wear", ())
    )
    return Step(**values)


def _outline(corners: Any) -> Outline:
    return tuple((float(x), float(y)) for x, y in corners)


def _text(written: Any) -> Text:
    return Text({"": written} if isinstance(written, str) else dict(written))
