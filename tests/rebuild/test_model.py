"""Any order of any actions by anybody, held against a model that is a few lines long.

The model knows no plan, no entries and no replay: only sets of steps. It is written from the
rules in DEVELOPERS.md.
"""

from __future__ import annotations

from datetime import timedelta

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from tests.rebuild.make import (
    CREW,
    CREW2,
    EVERYBODY,
    MANAGER,
    PLAN,
    SUPERVISOR,
    Actor,
    Play,
    finding,
)
from verify.domain import Phase
from verify.errors import RefusedError
from verify.rebuild import rules
from verify.rebuild.entries import Action
from verify.rebuild.people import Role
from verify.rebuild.replay import replay
from verify.rebuild.states import State

BEFORE = [s.id for s in PLAN.steps if s.phase is not Phase.START_UP]
START_UP = ["mix", "dry"]
PHOTOS = ["back", "front"]
ORDER = {s.id: list(Phase).index(s.phase) for s in PLAN.steps}
actors = st.sampled_from(EVERYBODY)
workers = st.sampled_from((CREW, CREW2, MANAGER, SUPERVISOR))


REACHED: set[str] = set()


class Rebuilds(RuleBasedStateMachine):
    @initialize()
    def begin(self) -> None:
        self.play = Play()
        self.state = "under-way"
        self.answered: set[str] = set()
        self.held: set[str] = set()
        self.strength_read = False  # what temperature and time are held against
        self.doers = {CREW.id}

    def turn(self, step_id: str) -> bool:
        """The model: is it this step's turn?"""
        if step_id in START_UP:
            return self.state == "released"
        if self.state != "under-way":
            return False
        earlier = {s for s in BEFORE if ORDER[s] < ORDER[step_id]}
        if step_id == "front":
            earlier.add("back")
        return earlier <= self.answered

    def done(self, step_id: str, *, held: bool, by: Actor) -> None:
        if step_id in self.answered and step_id == "back":
            self.reopen({"front"})
        self.answered.add(step_id)
        self.held.discard(step_id)
        if held:
            self.held.add(step_id)
        self.doers.add(by.id)

    def reopen(self, steps: set[str]) -> None:
        if "back" in steps:
            steps = steps | {"front"}
        self.answered -= steps
        self.held -= steps

    @rule(step_id=st.sampled_from(PHOTOS), good=st.booleans(), by=workers)
    def photo(self, step_id: str, good: bool, by: Actor) -> None:
        try:
            self.play.photo(step_id, finding("p", "ok" if good else "fault"), by=by)
        except RefusedError:
            assert not self.turn(step_id)
        else:
            assert self.turn(step_id)
            self.done(step_id, held=not good, by=by)

    @rule(step_id=st.sampled_from(PHOTOS))
    def blurred(self, step_id: str) -> None:
        try:
            self.play.photo(step_id, retake=True)
        except RefusedError:
            assert not self.turn(step_id)
        else:
            self.done(step_id, held=False, by=CREW)
            self.answered.discard(step_id)

    @rule(step_id=st.sampled_from(["counted", "rings", "dry"]), yes=st.booleans(), by=workers)
    def answer(self, step_id: str, yes: bool, by: Actor) -> None:
        try:
            self.play.answer(step_id, yes, by=by)
        except RefusedError:
            assert not self.turn(step_id)
        else:
            assert self.turn(step_id)
            self.done(step_id, held=not yes, by=by)

    @rule(step_id=st.sampled_from(PLAN.ids), by=workers)
    def skip(self, step_id: str, by: Actor) -> None:
        try:
            self.play.skip(step_id, by=by)
        except RefusedError:
            assert not self.turn(step_id)
        else:
            assert self.turn(step_id)
            if step_id == "strength" and "strength" in self.answered:
                self.reopen({"warmth", "contact"})
            if step_id == "strength":
                self.strength_read = False
            self.done(step_id, held=True, by=by)

    @rule(by=st.sampled_from((CREW, CREW2)))
    def do_the_rest(self, by: Actor) -> None:
        """All steps whose turn it is, as they should be: else luck would hardly get that far."""
        for step_id in BEFORE if self.state == "under-way" else START_UP:
            if step_id in self.answered - self.held or not self.turn(step_id):
                continue
            held = step_id in ("warmth", "contact") and not self.strength_read
            if step_id in PHOTOS:
                self.play.photo(step_id, finding("p", "ok"), by=by)
            elif step_id in ("counted", "rings", "dry"):
                self.play.answer(step_id, by=by)
            else:
                by = CREW  # who reads
                values = {"strength": 100, "contact": 60, "mix": 4}
                self.play.reading(step_id, values.get(step_id, 30))
                if step_id == "strength" and "strength" in self.answered:
                    self.reopen({"warmth", "contact"})
                self.strength_read |= step_id == "strength"
            self.done(step_id, held=held, by=by)

    @rule()
    def go_on(self) -> None:
        """What comes next on a night without trouble."""
        self.do_the_rest(by=CREW)
        {
            "under-way": self.hand_in,
            "handed-in": self.release,
            "released": self.use,
        }.get(self.state, self.use)(by=SUPERVISOR if self.state == "handed-in" else CREW)

    @rule(by=actors)
    def hand_in(self, by: Actor) -> None:
        allowed = self.state == "under-way" and set(BEFORE) <= self.answered and by.roles
        try:
            self.play.hand_in(by)
        except RefusedError:
            assert not allowed
        else:
            assert allowed
            self.state = "handed-in"
            self.doers.add(by.id)

    @rule(by=actors, data=st.data())
    def clear(self, by: Actor, data: st.DataObject) -> None:
        open_holds = self.play.rebuild.open_holds
        if not open_holds:
            return
        hold = data.draw(st.sampled_from(open_holds))
        allowed = (
            self.state in ("under-way", "handed-in", "released")
            and by.roles & {Role.MANAGER, Role.SUPERVISOR}
            and by.id not in self.doers
        )
        try:
            self.play.clear(hold.id, by)
        except RefusedError:
            assert not allowed
        else:
            assert allowed
            self.held.discard(hold.step)

    @rule(by=actors)
    def release(self, by: Actor) -> None:
        before = set(BEFORE)
        allowed = (
            self.state == "handed-in"
            and Role.SUPERVISOR in by.roles
            and by.id not in self.doers
            and not self.held
            and before <= self.answered
        )
        try:
            self.play.release(by)
        except RefusedError:
            assert not allowed
        else:
            assert allowed
            self.state = "released"

    @rule(by=actors, minutes=st.sampled_from([0, 30, 61, 600]))
    def emergency(self, by: Actor, minutes: int) -> None:
        play = self.play
        handed = play.rebuild.handed_in_at
        at = play.now + timedelta(minutes=minutes)
        allowed = (
            self.state == "handed-in"
            and Role.MANAGER in by.roles
            and by.id not in self.doers
            and not self.held
            and handed is not None
            and at >= handed + timedelta(minutes=60)
        )
        try:
            data = rules.emergency_release(play.rebuild, by, at, "nobody answers")
        except RefusedError:
            assert not allowed
        else:
            assert allowed
            play.now = at
            play.write(Action.EMERGENCY_RELEASE, by, data)
            self.state = "released"

    @rule(by=actors, steps=st.sets(st.sampled_from(PLAN.ids), min_size=1, max_size=3))
    def send_back(self, by: Actor, steps: set[str]) -> None:
        allowed = self.state in ("handed-in", "stopped") and by.roles & {
            Role.MANAGER,
            Role.SUPERVISOR,
        }
        try:
            self.play.send_back(*sorted(steps), by=by)
        except RefusedError:
            assert not allowed
        else:
            assert allowed
            more = {"warmth", "contact"} if "strength" in steps else set()
            self.reopen(steps | more | set(START_UP))
            self.state = "under-way"

    @rule(by=workers)
    def leak(self, by: Actor) -> None:
        try:
            data = rules.leak(self.play.rebuild, by, "spout", None, "")
        except RefusedError:
            assert self.state not in ("released", "in-use")
        else:
            self.play.write(Action.LEAK, by, data)
            self.state = "stopped"

    @rule(by=workers)
    def use(self, by: Actor) -> None:
        allowed = self.state == "released" and set(START_UP) <= self.answered and not self.held
        try:
            data = rules.put_in_use(self.play.rebuild, by)
        except RefusedError:
            assert not allowed
        else:
            assert allowed
            self.play.write(Action.PUT_IN_USE, by, data)
            self.state = "in-use"

    @rule(by=workers)
    def stop_and_return(self, by: Actor) -> None:
        try:
            data = rules.out_of_service(self.play.rebuild, by, "stud")
        except RefusedError:
            assert self.state == "given-up"
            return
        self.play.write(Action.OUT_OF_SERVICE, by, data)
        data = rules.return_to_work(self.play.rebuild, MANAGER, ["front"], "mended")
        self.play.write(Action.RETURN, MANAGER, data)
        self.reopen({"front", *START_UP})
        self.state = "under-way"

    @invariant()
    def the_model_and_the_record_agree(self) -> None:
        rebuild = self.play.rebuild
        assert rebuild.state.value == self.state
        assert {s.step.id for s in rebuild.steps if s.answered} == self.answered
        assert {hold.step for hold in rebuild.open_holds} == self.held
        assert rebuild.doers == self.doers
        REACHED.add(self.state)

    @invariant()
    def a_released_machine_was_released_by_other_eyes(self) -> None:
        rebuild = self.play.rebuild
        if rebuild.state in (State.RELEASED, State.IN_USE):
            assert rebuild.released_by is not None
            released = next(
                e for e in reversed(self.play.entries)
                if e.kind in (Action.RELEASE, Action.EMERGENCY_RELEASE)
            )  # fmt: skip
            then = replay(self.play.entries[: released.n - 1])
            assert released.by not in then.doers
            assert not then.open_holds

    def teardown(self) -> None:
        if hasattr(self, "play"):
            assert replay(self.play.entries) == self.play.rebuild


Rebuilds.TestCase.settings = settings(max_examples=250, stateful_step_count=50, deadline=None)
TestRebuilds = Rebuilds.TestCase


def test_the_model_was_everywhere() -> None:
    """Runs after the model: nothing was agreed on only because it was never reached."""
    assert {"under-way", "handed-in", "released", "in-use", "stopped"} <= REACHED
