"""The plan of a rebuild as it is kept in the record, so that a record needs no machine folder."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from verify.domain import Machine, Phase, ReadingRule, Step, StepKind, Text, WearItem
from verify.machine_file.steps import default_steps

Json = dict[str, Any]


@dataclass(frozen=True)
class Plan:
    """The steps of a rebuild, in their order."""

    steps: tuple[Step, ...]

    def step(self, step_id: str) -> Step:
        """Return the step of that id; KeyError where there is none."""
        for step in self.steps:
            if step.id == step_id:
                return step
        raise KeyError(step_id)

    @property
    def ids(self) -> tuple[str, ...]:
        """The ids of the steps, in order."""
        return tuple(step.id for step in self.steps)

    @property
    def wear(self) -> tuple[WearItem, ...]:
        """The parts that wear, in the order of the steps that look them over."""
        return tuple(item for step in self.steps for item in step.wear)

    def undone_with(self, step_ids: frozenset[str]) -> frozenset[str]:
        """Return these steps and those that are undone when they are done anew.

        What hides a step has to come off before that step can be seen again, and a temperature
        or a contact time belongs to one strength.
        """
        wanted = set(step_ids)
        while True:
            more = {s.hidden_by for s in self.steps if s.id in wanted and s.hidden_by}
            more |= {
                other.id
                for step in self.steps
                if step.id in wanted and step.rule is ReadingRule.STRENGTH
                for other in self.steps
                if other.rule is not None and other.phase is step.phase
            }
            if more <= wanted:
                return frozenset(wanted)
            wanted |= more

    def reopened_with(self, step_ids: frozenset[str]) -> frozenset[str]:
        """Return what has to be done again when these steps are sent back: all of start-up too."""
        start_up = {s.id for s in self.steps if s.phase is Phase.START_UP}
        return self.undone_with(step_ids) | start_up


def plan_of(machine: Machine) -> Plan:
    """Return the plan of a machine; without ``[[step]]``, a photo of each view."""
    return Plan(machine.steps or default_steps([(v.id, v.title) for v in machine.views]))


def plan_to_json(plan: Plan) -> list[Json]:
    """Return the plan as plain values; what is not said is left out."""
    return [_compact(asdict(step)) for step in plan.steps]


def plan_from_json(steps: list[Json]) -> Plan:
    """Return the plan that plain values stand for."""
    return Plan(tuple(_step(step) for step in steps))


def _compact(step: Json) -> Json:
    plain: Json = {}
    for key, value in step.items():
        if value is None or value == () or value is False:
            continue
        if key == "wear":
            plain[key] = [_compact(item) for item in value]
        elif isinstance(value, Mapping):  # a Text
            plain[key] = dict(value["by_language"])
        else:
            plain[key] = value
    return plain


_TEXTS = ("title", "ask", "why", "if_not", "quantity")


def _step(plain: Json) -> Step:
    values: Json = {k: Text(v) if k in _TEXTS else v for k, v in plain.items()}
    values["phase"], values["kind"] = Phase(plain["phase"]), StepKind(plain["kind"])
    if "rule" in plain:
        values["rule"] = ReadingRule(plain["rule"])
    values["wear"] = tuple(
        WearItem(**{**item, "title": Text(item["title"])}) for item in plain.get("wear", ())
    )
    return Step(**values)
