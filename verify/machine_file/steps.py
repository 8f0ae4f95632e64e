"""From ``[[step]]`` to the plan of a rebuild, refusing whatever breaks a rule.

A step has an ``id``, a ``phase``, a ``kind`` and a ``title``; the other keys belong to a kind:

- ``photo``: ``view``; ``ask``, where something else is to be said than the view says.
- ``check``: ``ask``, ``why``, ``if_not``; ``[[step.wear]]`` for the parts that are looked over;
  ``leak = true``, in start-up, where a no means that the machine leaks.
- ``reading``: ``ask``, ``quantity``, ``unit``, ``if_not``, and ``at_least``, ``at_most`` or both,
  or a ``rule``; ``why``.

Phases stand in their order. ``hidden_by`` names a later step that does not lie in start-up
unless the step itself does: what is hidden must have been seen before.
"""

from __future__ import annotations

from collections.abc import Sequence

from verify.domain import Phase, ReadingRule, Step, StepKind, Text, WearItem
from verify.machine_file.doubles import refuse_doubles
from verify.machine_file.table import Table

_PHASES = list(Phase)
_UNITS = {
    ReadingRule.STRENGTH: "mg/L",
    ReadingRule.TEMPERATURE: "°C",
    ReadingRule.CONTACT: "s",
}
_LIMITS = "at_least, at_most or both"


def read_steps(tables: Sequence[Table], views: frozenset[str]) -> tuple[Step, ...]:
    """Return the steps in their order; problems are kept in the tables' source."""
    steps: list[Step] = []
    for table in tables:
        steps.append(_step(table, views, steps[-1].phase if steps else Phase.TAKE_APART))
    pairs = list(zip(tables, steps, strict=True))
    refuse_doubles(tables[0].source, "id", ((t.path, s.id) for t, s in pairs))
    wear = [
        ((*table.path, "wear", number), item.id)
        for table, step in pairs
        for number, item in enumerate(step.wear)
    ]
    refuse_doubles(tables[0].source, "id", wear)
    for number, (table, step) in enumerate(pairs):
        _check_order(table, step, steps[:number], steps[number + 1 :])
    return tuple(steps)


def _step(table: Table, views: frozenset[str], phase_before: Phase) -> Step:
    step_id, title = table.id("id"), table.text("title")
    phase = table.required_choice("phase", Phase) or phase_before
    hidden_by = table.word("hidden_by", required=False)
    kind = table.required_choice("kind", StepKind)
    read = {StepKind.PHOTO: _photo, StepKind.CHECK: _check, StepKind.READING: _reading}
    if kind is None:  # what else may stand in it is not known
        return Step(step_id, phase, StepKind.CHECK, title, hidden_by)
    parts = read[kind](table, views)
    table.finish()
    return Step(step_id, phase, kind, title, hidden_by, **parts)  # type: ignore[arg-type]


def _photo(table: Table, views: frozenset[str]) -> dict[str, object]:
    view = table.word("view")
    if view is not None and view not in views:
        table.problem("view", "is not a view of this machine", ", ".join(sorted(views)))
    return {"view": view, "ask": table.optional_text("ask")}


def _check(table: Table, _views: frozenset[str]) -> dict[str, object]:
    return {
        "ask": table.text("ask"),
        "why": table.text("why"),
        "if_not": table.text("if_not"),
        "wear": tuple(_wear(item) for item in table.tables("wear")),
        "leak": table.truth("leak"),
    }


def _reading(table: Table, _views: frozenset[str]) -> dict[str, object]:
    unit = table.word("unit")
    rule = table.optional_choice("rule", ReadingRule)
    low = table.number("at_least", "a number in the unit of the reading")
    high = table.number("at_most", "a number in the unit of the reading")
    limited = "at_least" in table or "at_most" in table
    if "rule" in table and limited:
        table.problem("rule", "is written beside limits", f"a rule, or {_LIMITS}")
    if "rule" not in table and not limited:
        table.problem("at_least", "is missing", f"{_LIMITS}, or a rule")
    if low is not None and high is not None and low > high:
        table.problem("at_least", "is more than at_most", f"at most {high:g}")
    if rule is not None and unit is not None and unit != _UNITS[rule]:
        table.problem("unit", f"is not the unit of the rule '{rule}'", f'"{_UNITS[rule]}"')
    return {
        "ask": table.text("ask"),
        "why": table.optional_text("why"),
        "if_not": table.text("if_not"),
        "quantity": table.text("quantity"),
        "unit": unit,
        "at_least": low,
        "at_most": high,
        "rule": rule,
    }


def _wear(table: Table) -> WearItem:
    item_id, title = table.id("id"), table.text("title")
    count = table.whole_number("count", "a whole number, 1 or more", at_least=1)
    every_days = table.whole_number("every_days", "whole days, 1 or more", at_least=1)
    table.finish()
    return WearItem(item_id, title, 1 if count is None else count, every_days)


def _check_order(table: Table, step: Step, before: Sequence[Step], after: Sequence[Step]) -> None:
    if step.leak and step.phase is not Phase.START_UP:
        table.problem("leak", "is written outside start-up", 'phase = "start-up"')
    last = before[-1].phase if before else step.phase
    if _PHASES.index(step.phase) < _PHASES.index(last):
        table.problem("phase", f"comes after a step of '{last}'", "phases in their order")
    if step.rule in (ReadingRule.TEMPERATURE, ReadingRule.CONTACT):
        strengths = (s for s in before if s.rule is ReadingRule.STRENGTH)
        if not any(other.phase is step.phase for other in strengths):
            rule = f"needs a step with the rule '{ReadingRule.STRENGTH}' before it"
            table.problem("rule", rule, "that step first, in the same phase")
    if step.hidden_by is None:
        return
    hider = next((other for other in after if other.id == step.hidden_by), None)
    allowed = ", ".join(other.id for other in after) or "none: this is the last step"
    if hider is None:
        earlier = any(other.id == step.hidden_by for other in before) or step.id == step.hidden_by
        rule = "does not come after this step" if earlier else "is not a step of this plan"
        table.problem("hidden_by", rule, allowed)
    elif hider.phase is Phase.START_UP is not step.phase:
        table.problem("hidden_by", "lies in start-up, after the release", allowed)


def default_steps(views: Sequence[tuple[str, Text]]) -> tuple[Step, ...]:
    """Return the plan of a machine that has none: a photo of each view, in order.

    Args:
        views: id and title of each view.
    """
    return tuple(
        Step(view_id, Phase.PUT_BACK, StepKind.PHOTO, title, view=view_id)
        for view_id, title in views
    )
