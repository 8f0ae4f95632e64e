"""Who is told that something waits, and when."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from verify.rebuild.notices import Round, Team, Wait, Why, people, rounds, waits_for
from verify.rebuild.states import State

SINCE = datetime(2026, 6, 12, 23, 0, tzinfo=UTC)
AFTER = timedelta(minutes=20)
TEAM = Team(supervisors=("noor", "sol"), deputies=("dalia",), managers=("dalia", "marta"))


def wait(why: Why = Why.RELEASE, *, by: str = "ines", opened: bool = False) -> Wait:
    doers = frozenset({"ines", "sol"})
    return Wait("r-1", 7, why, "harbour", "pier-3", SINCE, by, doers, opened)


def due(minutes: float, found: Wait, *, told: bool = True) -> list[Round]:
    return rounds(found, SINCE + timedelta(minutes=minutes), AFTER, told=told)


def test_supervisors_come_first_and_deputies_when_nobody_has_opened_it() -> None:
    assert due(0, wait()) == [Round.FIRST]
    assert due(19.9, wait()) == [Round.FIRST]
    assert due(20, wait()) == [Round.FIRST, Round.DEPUTIES]
    assert due(600, wait(opened=True)) == [Round.FIRST]


def test_where_there_is_nobody_to_tell_first_deputies_are_told_at_once() -> None:
    assert due(0, wait(), told=False) == [Round.FIRST, Round.DEPUTIES]


def test_what_does_not_stop_the_shop_waits_for_the_supervisors() -> None:
    for why in (Why.OUT_OF_SERVICE, Why.COUNTERSIGN):
        assert due(600, wait(why)) == [Round.FIRST]
    assert Round.DEPUTIES in due(21, wait(Why.LEAK))


def test_old_things_are_not_told() -> None:
    assert due(8 * 24 * 60, wait()) == []


def test_nobody_is_told_who_may_not_decide_or_knows_already() -> None:
    assert people(wait(), TEAM, Round.FIRST) == ["noor"]  # sol had a part in it
    assert people(wait(Why.LEAK), TEAM, Round.FIRST) == ["noor", "sol"]  # a leak needs no others
    assert people(wait(Why.LEAK, by="noor"), TEAM, Round.FIRST) == ["sol"]
    assert people(wait(), TEAM, Round.DEPUTIES) == ["dalia"]


def test_managers_are_told_where_nobody_stands_in() -> None:
    alone = Team(supervisors=("noor",), managers=("dalia", "marta"))
    assert people(wait(by="marta"), alone, Round.DEPUTIES) == ["dalia"]
    both = Team(supervisors=("noor",), deputies=("noor",), managers=("noor", "dalia"))
    assert people(wait(), both, Round.DEPUTIES) == ["dalia"]  # nobody twice


@pytest.mark.parametrize("state", list(State))
def test_each_state_waits_for_what_the_list_of_what_waits_shows(state: State) -> None:
    known = {
        State.HANDED_IN: (Why.RELEASE,),
        State.STOPPED: (Why.LEAK,),
        State.OUT_OF_SERVICE: (Why.OUT_OF_SERVICE,),
    }
    assert waits_for(state, to_countersign=False) == known.get(state, ())
    assert waits_for(state, to_countersign=True)[-1] is Why.COUNTERSIGN
