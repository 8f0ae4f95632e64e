"""Who may do what when: each rule on its own, and the tables as a whole."""

from __future__ import annotations

import re
from datetime import timedelta
from pathlib import Path

import pytest

from tests.rebuild.make import (
    CREW,
    CREW2,
    EVERYBODY,
    MANAGER,
    NOBODY,
    SUPERVISOR,
    TECHNICIAN,
    Play,
    finding,
)
from verify.errors import RefusedError, UsageError
from verify.rebuild import rules
from verify.rebuild.entries import Action, ClearedAs, Miss
from verify.rebuild.people import MAY, NEEDS_OTHER_EYES, Actor, Role
from verify.rebuild.replay import Standing, replay
from verify.rebuild.states import TRANSITIONS, State, after


def refused(code: str) -> pytest.RaisesExc[RefusedError]:
    return pytest.RaisesExc(RefusedError, check=lambda error: error.code == code)


def test_a_night_without_trouble() -> None:
    play = Play().released()
    assert play.rebuild.state is State.RELEASED
    play.reading("mix", 4)
    play.answer("dry")
    play.write(Action.PUT_IN_USE, CREW, rules.put_in_use(play.rebuild, CREW))
    assert play.rebuild.state is State.IN_USE
    assert play.rebuild.next_step is None
    assert replay(play.entries) == play.rebuild


@pytest.mark.parametrize("state", State)
@pytest.mark.parametrize("action", Action)
def test_what_is_not_in_the_table_is_refused(state: State, action: Action) -> None:
    if (state, action) in TRANSITIONS:
        assert after(state, action) is TRANSITIONS[state, action]
    else:
        with refused("state"):
            after(state, action)


def test_the_diagram_shows_every_change_of_state() -> None:
    """The words of the module's drawing and the table say the same."""
    from verify.rebuild import states

    drawn = set()
    for line in (states.__doc__ or "").splitlines():
        if found := re.match(r"    ([\w, -]+?) +→ ([\w, -]+?) +→ ([\w-]+)", line):
            for source in found[1].split(", "):
                for action in found[2].split(", "):
                    drawn.add((source.strip(), action.strip(), found[3]))
    table = {(s.value, a.value, t.value) for (s, a), t in TRANSITIONS.items() if s is not t}
    assert drawn == table


def test_every_action_of_the_table_has_somebody_who_may_do_it() -> None:
    assert set(MAY) == set(Action)
    assert all(MAY.values())
    assert {action for _, action in TRANSITIONS} == set(Action) - {Action.START}


@pytest.mark.parametrize("actor", EVERYBODY, ids=lambda actor: actor.id)
@pytest.mark.parametrize("action", sorted(NEEDS_OTHER_EYES))
def test_only_the_answerable_set_a_machine_free(action: Action, actor: Actor) -> None:
    play = Play().before_release()
    play.hand_in()
    if action is Action.COUNTERSIGN:
        play.release()
    if MAY[action] & actor.roles:
        rules.permit(play.rebuild, action, actor)
    else:
        with refused("role"):
            rules.permit(play.rebuild, action, actor)


def test_whoever_did_a_part_does_not_clear_or_release() -> None:
    boss = Actor("noor", "Noor", frozenset({Role.SUPERVISOR, Role.MANAGER}))
    play = Play()
    play.answer("counted", by=boss)
    play.skip("strength")
    play.skip("warmth")
    play.skip("contact")
    play.skip("rings")
    play.skip("back")
    play.skip("front")
    play.hand_in()
    hold = play.rebuild.open_holds[0].id
    with refused("own-work"):
        play.clear(hold, by=boss)
    with refused("own-work"):
        play.release(by=boss)


def test_two_people_suffice_and_one_does_not() -> None:
    owner = Actor("owner", "Owner", frozenset({Role.SUPERVISOR}))
    play = Play().before_release()
    play.photo("front", finding("screw", "fault"))
    play.hand_in()
    play.clear(play.rebuild.open_holds[0].id, by=owner)
    assert play.release(by=owner).state is State.RELEASED
    alone = Play(by=owner)
    with refused("own-work"):
        rules.permit(alone.before_release().hand_in(), Action.RELEASE, owner)


def test_nothing_is_released_while_something_is_held() -> None:
    play = Play().before_release()
    play.photo("front", finding("screw", "fault"))
    play.hand_in()
    with refused("held"):
        play.release()
    play.clear(play.rebuild.open_holds[0].id)
    assert play.release().state is State.RELEASED


@pytest.mark.parametrize("verdict", ["fault", "unsure"])
def test_a_stop_part_holds_and_a_caution_has_to_be_read(verdict: str) -> None:
    play = Play().before_release()
    play.photo("front", finding("screw", verdict), finding("pin", "fault", "caution"))
    assert [hold.part for hold in play.rebuild.open_holds] == ["screw"]
    play.photo("front", finding("screw", "ok"), finding("pin", verdict, "caution"))
    assert play.rebuild.step("front").standing is Standing.TO_ACKNOWLEDGE
    play.hand_in()
    with refused("cautions"):
        play.release()
    play.write(Action.ACKNOWLEDGE, CREW, rules.acknowledge(play.rebuild, CREW, "front"))
    play.release()


def test_an_unseen_part_beside_a_fault_is_held_as_well() -> None:
    """Else a false alarm, cleared, would let a part through that nobody saw."""
    play = Play().before_release()
    play.photo("front", finding("screw", "fault"), finding("pin", "unseen"))
    assert {hold.part for hold in play.rebuild.open_holds} == {"screw", "pin"}


def test_a_photo_that_is_not_what_it_claims_is_held_though_it_passes() -> None:
    play = Play().before_release()
    doubt = {"code": "older", "message": "too old", "rebuild": None, "step": None}
    play.photo("front", finding("screw", "ok"), doubts=(doubt,))
    assert play.rebuild.step("front").standing is Standing.HELD


def test_a_photo_that_cannot_be_judged_answers_nothing() -> None:
    play = Play()
    for name in ("counted", "rings"):
        if name == "rings":
            play.reading("strength", 100)
            play.reading("warmth", 30)
            play.reading("contact", 60)
        play.answer(name)
    play.photo("back", retake=True)
    assert play.rebuild.step("back").standing is Standing.AGAIN
    with refused("too-early"):
        play.photo("front", finding("screw", "ok"))
    with refused("not-done"):
        play.hand_in()


def test_phases_and_hidden_steps_keep_their_order() -> None:
    play = Play()
    with refused("too-early"):
        play.photo("back", finding("b", "ok"))
    with refused("not-released"):
        play.reading("mix", 4)
    play.answer("counted")
    play.reading("strength", 100)


def test_doing_a_step_again_reopens_what_hides_it() -> None:
    play = Play().before_release()
    play.photo("back", finding("bushing", "ok"))
    assert play.rebuild.step("front").standing is Standing.TO_DO
    assert play.rebuild.step("rings").standing is Standing.DONE


def test_a_new_strength_wants_a_new_temperature() -> None:
    play = Play().before_release()
    play.reading("strength", 60)
    assert play.rebuild.step("warmth").standing is Standing.TO_DO
    assert play.rebuild.step("contact").standing is Standing.TO_DO
    assert play.rebuild.step("back").standing is Standing.DONE


def test_sending_back_reopens_the_steps_named_and_what_follows() -> None:
    play = Play().before_release()
    play.hand_in()
    with refused("role"):
        rules.send_back(play.rebuild, CREW, ["back"], "why")
    play.send_back("back")
    assert play.rebuild.state is State.UNDER_WAY
    todo = {s.step.id for s in play.rebuild.steps if s.standing is Standing.TO_DO}
    assert todo == {"back", "front", "mix", "dry"}
    assert play.rebuild.reason == "not seated"


def test_start_up_keeps_its_own_steps() -> None:
    play = Play().released()
    with refused("released"):
        play.answer("counted")
    play.reading("mix", 7)
    with refused("not-done"):
        rules.put_in_use(play.rebuild, CREW)
    play.answer("dry")
    with refused("held"):
        rules.put_in_use(play.rebuild, CREW)
    play.reading("mix", 4)
    assert play.rebuild.step("dry").standing is Standing.DONE


def test_a_leak_stops_the_machine_and_is_tied_to_its_photos() -> None:
    play = Play().released()
    photos = play.rebuild.photos
    assert len(photos) == 2
    data = rules.leak(play.rebuild, CREW, "left spout", "back", "drips")
    assert data["miss"] == Miss.TOOL
    play.write(Action.LEAK, CREW, data)
    assert play.rebuild.state is State.STOPPED
    assert play.rebuild.leaks[0].photos == photos
    play.send_back("back")
    assert play.rebuild.released_by is None
    assert len(play.rebuild.leaks) == 1


def test_a_leak_behind_a_cleared_hold_is_a_persons_miss() -> None:
    play = Play().before_release()
    play.photo("front", finding("screw", "fault"))
    play.hand_in()
    play.clear(play.rebuild.open_holds[0].id)
    play.release()
    assert rules.leak(play.rebuild, CREW, "door", "front", "")["miss"] == Miss.PERSON
    assert rules.leak(play.rebuild, CREW, "door", "rings", "")["miss"] == Miss.PERSON
    assert rules.leak(play.rebuild, CREW, "door", None, "")["miss"] == Miss.NOT_KNOWN


def test_an_emergency_release_waits_and_is_countersigned() -> None:
    play = Play().before_release()
    play.hand_in()
    handed = play.now
    with refused("too-soon"):
        rules.emergency_release(play.rebuild, MANAGER, handed + timedelta(minutes=59), "asleep")
    with refused("role"):
        rules.emergency_release(play.rebuild, CREW2, handed + timedelta(hours=2), "asleep")
    data = rules.emergency_release(play.rebuild, MANAGER, handed + timedelta(hours=1), "asleep")
    play.write(Action.EMERGENCY_RELEASE, MANAGER, data)
    assert play.rebuild.emergency
    with refused("role"):
        rules.countersign(play.rebuild, MANAGER, "")
    both = Actor("dalia", "Dalia", frozenset({Role.SUPERVISOR}))
    with refused("own-work"):
        rules.countersign(play.rebuild, both, "")
    play.write(Action.COUNTERSIGN, SUPERVISOR, rules.countersign(play.rebuild, SUPERVISOR, "ok"))
    assert play.rebuild.countersigned
    with refused("nothing-there"):
        rules.countersign(play.rebuild, SUPERVISOR, "again")


def test_an_emergency_lifts_no_hold() -> None:
    play = Play().before_release()
    play.photo("front", finding("screw", "fault"))
    play.hand_in()
    with refused("held"):
        rules.emergency_release(play.rebuild, MANAGER, play.now + timedelta(days=1), "asleep")


def test_anybody_may_stop_a_machine_but_few_bring_it_back() -> None:
    play = Play()
    data = rules.out_of_service(play.rebuild, CREW2, "stud broken, no spare")
    play.write(Action.OUT_OF_SERVICE, CREW2, data)
    assert play.rebuild.state is State.OUT_OF_SERVICE
    assert play.rebuild.reason == "stud broken, no spare"
    with refused("state"):
        play.answer("counted")
    with refused("role"):
        rules.return_to_work(play.rebuild, CREW, ["counted"], "new stud")
    data = rules.return_to_work(play.rebuild, TECHNICIAN, ["counted"], "new stud")
    assert play.write(Action.RETURN, TECHNICIAN, data).state is State.UNDER_WAY


def test_somebody_of_another_store_may_nothing() -> None:
    for action in MAY:
        if action is not Action.START:
            with pytest.raises(RefusedError):
                rules.permit(Play().rebuild, action, NOBODY)


def test_reasons_are_asked_for_and_wrong_names_are_told() -> None:
    play = Play()
    with pytest.raises(UsageError, match="say why"):
        rules.skip(play.rebuild, CREW, "counted", "  ")
    with pytest.raises(UsageError, match="allowed: counted"):
        play.answer("count")
    with pytest.raises(UsageError, match="kind 'check'"):
        play.reading("counted", 1)
    with pytest.raises(UsageError, match="allowed: ring"):
        rules.replace_part(play.rebuild, CREW, "rang", count=1, reason="worn")
    with pytest.raises(UsageError, match="1 or more"):
        rules.replace_part(play.rebuild, CREW, "ring", count=0, reason="worn")
    with pytest.raises(UsageError, match="which steps"):
        rules.send_back(Play().before_release().hand_in(), MANAGER, [], "why")
    handed = Play().before_release().hand_in()
    with pytest.raises(UsageError, match="nothing is held"):
        rules.clear(handed, MANAGER, "9/x", ClearedAs.ACCEPTED, "fine")


def test_a_hold_is_cleared_once() -> None:
    play = Play().before_release()
    play.photo("front", finding("screw", "unsure"))
    hold = play.rebuild.open_holds[0].id
    play.clear(hold)
    with refused("cleared"):
        play.clear(hold)


def test_the_diagram_is_in_the_docs() -> None:
    text = (Path(__file__).resolve().parents[2] / "DEVELOPERS.md").read_text(encoding="utf-8")
    for state in State:
        assert state.value in text
