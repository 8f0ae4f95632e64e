"""From the domain's values to plain tables and lists, and from those to TOML text."""

from __future__ import annotations

import json
from collections.abc import Mapping
from enum import StrEnum
from typing import Any

from verify.domain import Fault, Machine, Outline, Part, Shot, Step, Text, View, WearItem
from verify.machine_file.paths import is_bare_key

Plain = dict[str, Any]

_EXACT = 2**53  # whole numbers up to here are the same as float and as integer


def machine_to_plain(machine: Machine) -> Plain:
    """Return the whole content of a ``machine.toml``, in the order of the format's example."""
    head = {"id": machine.id, "title": _text(machine.title)}
    plain: Plain = {"format": 1, "machine": head}
    plain["view"] = [view_to_plain(view) for view in machine.views]
    if machine.steps:
        plain["step"] = [step_to_plain(step) for step in machine.steps]
    return plain


def step_to_plain(step: Step) -> Plain:
    """Return the table of a step of the plan."""
    plain: Plain = {"id": step.id, "phase": step.phase.value, "kind": step.kind.value}
    plain["title"] = _text(step.title)
    for key in ("hidden_by", "view", "ask", "quantity", "unit", "at_least", "at_most", "rule"):
        plain[key] = getattr(step, key)
    plain["why"], plain["if_not"] = step.why, step.if_not
    if step.leak:
        plain["leak"] = True
    if step.wear:
        plain["wear"] = [_wear_to_plain(item) for item in step.wear]
    return {key: _scalar(value) for key, value in plain.items() if value is not None}


def _wear_to_plain(item: WearItem) -> Plain:
    plain: Plain = {"id": item.id, "title": _text(item.title), "count": item.count}
    if item.every_days is not None:
        plain["every_days"] = item.every_days
    return plain


def _scalar(value: object) -> object:
    if isinstance(value, Text):
        return _text(value)
    if isinstance(value, StrEnum):
        return value.value
    return _number(value) if isinstance(value, float) else value


def view_to_plain(view: View) -> Plain:
    """Return the table of a view."""
    plain: Plain = {"id": view.id, "title": _text(view.title), "ask": _text(view.ask)}
    plain["master"] = {"file": view.master, "size": list(view.size)}
    if view.mm_per_px is not None:
        plain["mm_per_px"] = _number(view.mm_per_px)
    if view.body is not None:
        plain["body"] = outline_to_plain(view.body)
    if view.shots:
        plain["shot"] = [shot_to_plain(shot) for shot in view.shots]
    plain["part"] = [part_to_plain(part) for part in view.parts]
    return plain


def shot_to_plain(shot: Shot) -> Plain:
    """Return the table of a reference shot."""
    plain: Plain = {"file": shot.file}
    if shot.states:
        plain["states"] = dict(shot.states)
    if shot.unlabelled:
        plain["unlabelled"] = sorted(shot.unlabelled)
    return plain


def part_to_plain(part: Part) -> Plain:
    """Return the table of a part."""
    plain: Plain = {"id": part.id, "title": _text(part.title)}
    plain["outline"] = outline_to_plain(part.outline)
    plain["expect"] = part.expect
    plain["severity"] = part.severity.value
    if part.alike is not None:
        plain["alike"] = part.alike
    if part.symmetry:
        plain["symmetry"] = sorted(change.value for change in part.symmetry)
    if part.faults:
        plain["fault"] = [fault_to_plain(fault) for fault in part.faults]
    return plain


def fault_to_plain(fault: Fault) -> Plain:
    """Return the table of a fault."""
    plain: Plain = {"state": fault.state, "how": fault.how.value}
    if fault.turn_deg is not None:
        plain["turn_deg"] = _number(fault.turn_deg)
    if fault.with_part is not None:
        plain["with"] = fault.with_part
    if fault.fix is not None:
        plain["fix"] = _text(fault.fix)
    return plain


def outline_to_plain(outline: Outline) -> list[list[float]]:
    """Return an outline as a list of ``[x, y]``."""
    return [[_number(x), _number(y)] for x, y in outline]


def _text(text: Text) -> str | dict[str, str]:
    texts = dict(text.by_language)
    return texts[""] if list(texts) == [""] else texts


def _number(value: float) -> float:
    """Return a whole number where it is the same: people write 412, not 412.0."""
    return int(value) if abs(value) < _EXACT and float(value).is_integer() else float(value)


def to_toml(plain: Plain) -> str:
    """Return the text of a whole ``machine.toml``."""
    head = [f"format = {plain['format']}", "", "[machine]", *_pairs(plain["machine"], "")]
    blocks = [
        "\n" + to_block(table, (key,), "")
        for key in ("view", "step")
        for table in plain.get(key, ())
    ]
    return "\n".join(head) + "\n" + "".join(blocks)


def to_block(plain: Plain, header: tuple[str, ...], indent: str) -> str:
    """Return one element of an array of tables, with its header, ending in a line break."""
    text = f"{indent}[[{'.'.join(header)}]]\n"
    text += "".join(f"{line}\n" for line in _pairs(plain, indent))
    is_view = len(header) == 1  # what is in a view is set apart and set in
    for key, value in plain.items():
        for table in value if _is_tables(value) else ():
            inner = to_block(table, (*header, key), indent + "  " if is_view else indent)
            text += "\n" + inner if is_view else inner
    return text


def to_value(value: object) -> str:
    """Return a value on one line."""
    if isinstance(value, Mapping):
        pairs = ", ".join(f"{_key(key)} = {to_value(item)}" for key, item in value.items())
        return f"{{ {pairs} }}" if pairs else "{}"
    if isinstance(value, list):
        return f"[{', '.join(map(to_value, value))}]"
    if isinstance(value, str):
        return _string(value)
    if isinstance(value, bool):
        return "true" if value else "false"
    return repr(value)  # whole numbers and floats, inf and nan too, are written as in Python


def _pairs(plain: Plain, indent: str) -> list[str]:
    """Return a line for each value of a table that needs no header of its own."""
    pairs = plain.items()
    return [f"{indent}{_key(k)} = {to_value(v)}" for k, v in pairs if not _is_tables(v)]


def _is_tables(value: object) -> bool:
    return isinstance(value, list) and bool(value) and isinstance(value[0], Mapping)


def _key(key: str) -> str:
    return key if is_bare_key(key) else _string(key)


def _string(text: str) -> str:
    """Return a basic string of TOML, whose escapes are those of JSON and one more."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007F")
