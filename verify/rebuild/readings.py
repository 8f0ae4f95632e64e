"""Whether a reading is within its limits, and what is written about it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from verify.domain import ReadingRule, Step
from verify.errors import UsageError
from verify.rebuild import sanitizer
from verify.rebuild.entries import Action
from verify.rebuild.people import Actor
from verify.rebuild.replay import Rebuild
from verify.rebuild.rules import do_step
from verify.rebuild.sanitizer import Kind, Water

Json = dict[str, Any]

_SAME = {"ppm": "mg/L", "mg/l": "mg/L", "mg/L": "mg/L", "C": "°C", "°C": "°C", "s": "s"}
_FAHRENHEIT = {"F", "°F"}


@dataclass(frozen=True)
class Judged:
    """What was said of a reading.

    Attributes:
        ok: within its limits.
        low, high: the limits, None where there is none.
        message: for people.
        table: version of the table that was asked; None where none was.
    """

    ok: bool
    low: float | None
    high: float | None
    message: str
    table: str | None = None


def read(rebuild: Rebuild, actor: Actor, step_id: str, value: float, unit: str | None) -> Json:
    """Return the data of a reading, judged by the plan, the store's settings and the table.

    Args:
        rebuild: as it stands.
        actor: who read it.
        step_id: a reading of its plan.
        value: a finite number.
        unit: of ``value``; None for the step's own. ppm is taken as mg/L, °F is converted.
    """
    step = do_step(rebuild, Action.READING, step_id, actor).step
    number = to_unit(value, unit or step.unit or "", step.unit or "")
    judged = judge(rebuild, step, number)
    return {
        "step": step_id,
        "value": number,
        "unit": step.unit,
        "as_read": {"value": value, "unit": unit or step.unit},
        "ok": judged.ok,
        "low": judged.low,
        "high": judged.high,
        "message": judged.message,
        "table": judged.table,
    }


def to_unit(value: float, unit: str, wanted: str) -> float:
    """Return a value in the unit wanted; whole degrees Fahrenheit become whole degrees Celsius.

    Raises:
        UsageError: it is not finite, or the unit does not fit.
    """
    if not math.isfinite(value):
        raise UsageError(f"{value} is no reading; allowed: a finite number")
    if unit == wanted or _SAME.get(unit, unit) == wanted:
        return value
    if wanted == "°C" and unit in _FAHRENHEIT:
        celsius = (value - 32) / 1.8
        # The code pairs whole degrees, 75 °F with 24 °C: a thermometer in °F shall pass by it.
        return float(round(celsius)) if value == round(value) else round(celsius, 2)
    raise UsageError(f"a reading in {unit} does not fit; allowed: {wanted}")


def judge(rebuild: Rebuild, step: Step, value: float) -> Judged:
    """Return what the limits of a step say of a value in its unit."""
    if step.rule is None:
        return _within(step, value, step.at_least, step.at_most)
    if "sanitizer" not in rebuild.settings:
        raise UsageError("the store has not said which sanitizer it uses; set that first")
    water = water_of(rebuild.settings)
    place = sanitizer.sanitizers().of(water.jurisdiction).title
    judged = _RULES[step.rule](rebuild, step, value, water)
    text = f"{judged.message} ({place}; label and local code come first)"
    version = sanitizer.sanitizers().version
    return Judged(judged.ok, judged.low, judged.high, text, version)


def water_of(settings: Json) -> Water:
    """Return what a store uses from its settings, as they are kept in a record."""
    plain = {**settings.get("sanitizer", {})}
    if "kind" in plain:
        plain["kind"] = Kind(plain["kind"])
    return Water(**plain)


def _within(step: Step, value: float, low: float | None, high: float | None) -> Judged:
    unit = step.unit
    if low is not None and value < low:
        said = f"{value:g} {unit} is too low: at least {low:g} {unit}"
    elif high is not None and value > high:
        said = f"{value:g} {unit} is too high: at most {high:g} {unit}"
    else:
        return Judged(True, low, high, f"{value:g} {unit} is within its limits")
    return Judged(False, low, high, said)


_NOT_READ = "The strength was not read"


def _strength(_rebuild: Rebuild, step: Step, value: float, water: Water) -> Judged:
    low, high = sanitizer.strength_limits(water)
    if low is None:
        return Judged(False, None, high, "No strength is allowed at this pH or hardness")
    return _within(step, value, low, high)


def _temperature(rebuild: Rebuild, step: Step, value: float, water: Water) -> Judged:
    strength = _last(rebuild, step, ReadingRule.STRENGTH)
    if strength is None:
        return Judged(False, None, None, _NOT_READ)
    low = sanitizer.lowest_temperature(water, strength)
    if low is None:
        return Judged(False, None, None, "No temperature is allowed at the strength that was read")
    return _within(step, value, low, None)


def _contact(rebuild: Rebuild, step: Step, value: float, water: Water) -> Judged:
    strength = _last(rebuild, step, ReadingRule.STRENGTH)
    if strength is None:
        return Judged(False, None, None, _NOT_READ)
    temperature = _last(rebuild, step, ReadingRule.TEMPERATURE)
    return _within(step, value, sanitizer.shortest_contact(water, strength, temperature), None)


_RULES = {
    ReadingRule.STRENGTH: _strength,
    ReadingRule.TEMPERATURE: _temperature,
    ReadingRule.CONTACT: _contact,
}


def _last(rebuild: Rebuild, step: Step, rule: ReadingRule) -> float | None:
    """Return what was last read in the phase of a step; None where it was not, or skipped."""
    for state in rebuild.steps:
        if state.step.rule is rule and state.step.phase is step.phase:
            return state.data.get("value") if state.kind is Action.READING else None
    return None
