"""A small plan, people, and a rebuild that is played entry by entry without any storage."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

from verify.domain import (
    Finding,
    MadeBy,
    PartVerdict,
    Phase,
    ReadingRule,
    Result,
    Retake,
    RetakeReason,
    Severity,
    Step,
    StepKind,
    Text,
    Timing,
    WearItem,
    photo_verdict,
)
from verify.rebuild import readings, rules
from verify.rebuild.entries import Action, ClearedAs, Entry
from verify.rebuild.people import Actor, Role
from verify.rebuild.plan import Plan, plan_to_json
from verify.rebuild.replay import Rebuild, apply, begin
from verify.result_json import result_to_json

BEGAN = datetime(2026, 6, 12, 22, 0, tzinfo=UTC)


def words(text: str) -> Text:
    return Text({"": text})


def step(step_id: str, phase: Phase, kind: StepKind, **more: Any) -> Step:
    texts = {"ask": words("?"), "if_not": words("mend it")} if kind is not StepKind.PHOTO else {}
    if kind is StepKind.CHECK:
        texts["why"] = words("because")
    if kind is StepKind.READING:
        texts["quantity"] = words("q")
    if kind is StepKind.PHOTO:
        more.setdefault("view", step_id)
    return Step(step_id, phase, kind, words(step_id), **{**texts, **more})


PLAN = Plan(
    (
        step("counted", Phase.TAKE_APART, StepKind.CHECK),
        step("strength", Phase.CLEAN, StepKind.READING, unit="mg/L", rule=ReadingRule.STRENGTH),
        step("warmth", Phase.CLEAN, StepKind.READING, unit="°C", rule=ReadingRule.TEMPERATURE),
        step("contact", Phase.CLEAN, StepKind.READING, unit="s", rule=ReadingRule.CONTACT),
        step("rings", Phase.CLEAN, StepKind.CHECK, wear=(WearItem("ring", words("Ring"), 2, 90),)),
        step("back", Phase.PUT_BACK, StepKind.PHOTO, hidden_by="front"),
        step("front", Phase.PUT_BACK, StepKind.PHOTO),
        step("mix", Phase.START_UP, StepKind.READING, unit="°C", at_most=5.0),
        step("dry", Phase.START_UP, StepKind.CHECK, leak=True),
    )
)
SETTINGS: dict[str, Any] = {
    "wait_minutes": 60,
    "sticker_needed": False,
    "sanitizer": {"kind": "chlorine", "ph": 7.5},
}

CREW = Actor("ines", "Ines Valadao", frozenset({Role.CREW}))
CREW2 = Actor("tomek", "Tomek Arrieta", frozenset({Role.CREW}))
MANAGER = Actor("dalia", "Dalia Fenwick", frozenset({Role.MANAGER}))
SUPERVISOR = Actor("noor", "Noor Castellan", frozenset({Role.SUPERVISOR}))
TECHNICIAN = Actor("piet", "Piet Harrow", frozenset({Role.TECHNICIAN}))
NOBODY = Actor("ruth", "Ruth Okonjo", frozenset())
EVERYBODY = (CREW, CREW2, MANAGER, SUPERVISOR, TECHNICIAN, NOBODY)


def finding(part: str, verdict: str, severity: str = "stop") -> Finding:
    return Finding(
        id=part,
        verdict=PartVerdict(verdict),
        severity=Severity(severity),
        expected="seated",
        found="missing" if verdict == "fault" else "seated",
        p_right=None if verdict == "unseen" else 0.5,
        outline=None,
        message=f"{part} is {verdict}",
    )


def result(view: str, *parts: Finding, retake: bool = False, content: bytes = b"x") -> Result:
    refused = Retake(RetakeReason.BLUR, "Hold still.") if retake else None
    return Result(
        photo="1.jpg",
        sha256=hashlib.sha256(content).hexdigest(),
        machine="pier-3",
        view=view,
        verdict=photo_verdict(parts, refused=retake),
        retake=refused,
        parts=parts,
        made_by=MadeBy("0.1.0", "1" * 64, "2" * 64),
        ms=Timing(1.0, 2.0, 3.0, 4.0, 10.0),
    )


@dataclass
class Play:
    """A rebuild without storage; every method asks the same rules as the store does."""

    settings: Mapping[str, Any] = field(default_factory=lambda: dict(SETTINGS))
    plan: Plan = PLAN
    by: Actor = CREW
    now: datetime = BEGAN

    def __post_init__(self) -> None:
        data = {
            "machine": "pier-3",
            "store": "harbour-steps",
            "day": "2026-06-12",
            "plan": plan_to_json(self.plan),
            "settings": dict(self.settings),
        }
        self.entries = [Entry("r", 1, self.now, self.by.id, Action.START, data, "0" * 64)]
        self.rebuild: Rebuild = begin(self.entries[0])

    def write(self, action: Action, actor: Actor, data: Mapping[str, Any]) -> Rebuild:
        self.now += timedelta(minutes=1)
        n = len(self.entries) + 1
        entry = Entry("r", n, self.now, actor.id, action, data, "0" * 64)
        self.rebuild = apply(self.rebuild, entry)
        self.entries.append(entry)
        return self.rebuild

    def answer(self, step_id: str, yes: bool = True, by: Actor = CREW) -> Rebuild:
        data = rules.answer(self.rebuild, by, step_id, yes=yes, note="")
        return self.write(Action.ANSWER, by, data)

    def reading(self, step_id: str, value: float, unit: str | None = None) -> Rebuild:
        data = readings.read(self.rebuild, CREW, step_id, value, unit)
        return self.write(Action.READING, CREW, data)

    def photo(
        self, step_id: str, *parts: Finding, retake: bool = False, by: Actor = CREW,
        doubts: tuple[dict[str, Any], ...] = (),
    ) -> Rebuild:  # fmt: skip
        rules.do_step(self.rebuild, Action.PHOTO, step_id, by)
        made = result(step_id, *parts, retake=retake)
        data = {
            "step": step_id,
            "sha256": hashlib.sha256(f"{step_id}{len(self.entries)}".encode()).hexdigest(),
            "result": result_to_json(made),
            "doubts": list(doubts),
        }
        return self.write(Action.PHOTO, by, data)

    def skip(self, step_id: str, by: Actor = CREW) -> Rebuild:
        return self.write(Action.SKIP, by, rules.skip(self.rebuild, by, step_id, "camera broken"))

    def hand_in(self, by: Actor = CREW) -> Rebuild:
        return self.write(Action.HAND_IN, by, rules.hand_in(self.rebuild, by))

    def clear(self, hold: str, by: Actor = MANAGER) -> Rebuild:
        data = rules.clear(self.rebuild, by, hold, ClearedAs.FALSE_ALARM, "it is right")
        return self.write(Action.CLEAR, by, data)

    def send_back(self, *steps: str, by: Actor = MANAGER) -> Rebuild:
        data = rules.send_back(self.rebuild, by, steps, "not seated")
        return self.write(Action.SEND_BACK, by, data)

    def release(self, by: Actor = SUPERVISOR) -> Rebuild:
        return self.write(Action.RELEASE, by, rules.release(self.rebuild, by, "Released."))

    def before_release(self) -> Play:
        """Do all steps before the release as they should be."""
        self.answer("counted")
        self.reading("strength", 100)
        self.reading("warmth", 30)
        self.reading("contact", 60)
        self.answer("rings")
        self.photo("back", finding("bushing", "ok"))
        self.photo("front", finding("screw", "ok"))
        return self

    def released(self) -> Play:
        self.before_release()
        self.hand_in()
        self.release()
        return self
