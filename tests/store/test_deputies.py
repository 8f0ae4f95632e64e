"""Who stands in for a supervisor: named for a time, ended early, and all of it in the book."""

from __future__ import annotations

from datetime import timedelta

import pytest

from tests.store.make import Clock
from verify.errors import RefusedError, UsageError
from verify.rebuild.people import Actor, Role, may_give, require_may_end_deputy
from verify.store.chain import BOOK
from verify.store.home import Home

HARBOUR = "harbour-steps"
HOURS = timedelta(hours=1)


def stands_in(home: Home, person: str) -> bool:
    return home.people.actor(person, HARBOUR).deputy


def book(home: Home) -> list[tuple[str, str, str]]:
    entries = home.rebuilds.check_chain(BOOK).entries
    return [(e.kind, e.by, e.data["person"]) for e in entries if e.kind.startswith("deputy-")]


def test_a_deputy_is_named_for_a_time_and_ended_early(home: Home, clock: Clock) -> None:
    now = clock()
    named = home.deputies.name("piet", HARBOUR, now + HOURS, now + 9 * HOURS, by="noor")
    assert not stands_in(home, "piet")
    clock.wait(hours=2)
    assert stands_in(home, "piet")
    assert [d.person for d in home.deputies.listed(HARBOUR)] == ["piet"]
    home.deputies.end(named.id, by="dalia")
    assert not stands_in(home, "piet")
    assert home.deputies.listed(HARBOUR) == []
    assert book(home) == [("deputy-named", "noor", "piet"), ("deputy-ended", "dalia", "piet")]
    with pytest.raises(RefusedError, match="over already"):
        home.deputies.end(named.id, by="noor")


def test_what_has_not_begun_never_begins_once_ended(home: Home, clock: Clock) -> None:
    now = clock()
    named = home.deputies.name("piet", HARBOUR, now + HOURS, now + 9 * HOURS, by="noor")
    home.deputies.end(named.id, by="piet")  # who does not want to
    assert home.deputies.listed() == []
    clock.wait(hours=2)
    assert not stands_in(home, "piet")


def test_only_supervisors_name_and_nobody_hands_it_on(home: Home, clock: Clock) -> None:
    """A deputy may release; a manager who named one would hand out more than her own right."""
    now = clock()
    for by in ("dalia", "piet", "ines"):
        with pytest.raises(RefusedError) as refused:
            home.deputies.name("dalia", HARBOUR, now, now + HOURS, by=by)
        assert refused.value.code == "role"
    home.deputies.name("dalia", HARBOUR, now, now + 9 * HOURS, by="noor")
    with pytest.raises(RefusedError):
        home.deputies.name("piet", HARBOUR, now, now + HOURS, by="dalia")


def test_who_may_end_it(home: Home, clock: Clock) -> None:
    now = clock()
    named = home.deputies.name("tomek", HARBOUR, now, now + 9 * HOURS, by="noor")
    standing = home.deputies.name("piet", HARBOUR, now, now + 9 * HOURS, by="noor")
    for by in ("ines", "piet"):  # a deputy ends only her own time
        with pytest.raises(RefusedError, match="manager, supervisor or the deputy"):
            home.deputies.end(named.id, by=by)
    with pytest.raises(UsageError, match="no deputy 99"):
        home.deputies.end(99, by="noor")
    home.deputies.end(standing.id, by="piet")
    assert [d.person for d in home.deputies.listed()] == ["tomek"]


def test_times_and_people_that_cannot_be(home: Home, clock: Clock) -> None:
    now = clock()
    for starts, ends, said in (
        (now, now, "before it begins"),
        (now - 2 * HOURS, now - HOURS, "before it begins"),
        (now, now + 24 * 32 * HOURS, "31 days"),
    ):
        with pytest.raises(UsageError, match=said):
            home.deputies.name("piet", HARBOUR, starts, ends, by="noor")
    with pytest.raises(UsageError, match="needs no naming"):
        home.deputies.name("noor", HARBOUR, now, now + HOURS, by="noor")
    with pytest.raises(UsageError, match="no person 'nobody'"):
        home.deputies.name("nobody", HARBOUR, now, now + HOURS, by="noor")
    home.people.leave("tomek", by="noor")
    with pytest.raises(UsageError, match="has left"):
        home.deputies.name("tomek", HARBOUR, now, now + HOURS, by="noor")
    assert home.deputies.listed() == []


def test_nobody_is_named_for_what_was_before(home: Home, clock: Clock) -> None:
    now = clock()
    named = home.deputies.name("piet", HARBOUR, now - 9 * HOURS, now + HOURS, by="noor")
    assert named.starts > now
    assert home.deputies.listed()[0] == named


def test_whoever_has_left_stands_in_nowhere(home: Home, clock: Clock) -> None:
    now = clock()
    home.deputies.name("piet", HARBOUR, now, now + HOURS, by="noor")
    home.people.leave("piet", by="noor")
    assert home.deputies.listed(HARBOUR) == []


def test_own_roles_are_those_without_standing_in() -> None:
    deputy = Actor("d", "D", frozenset({Role.MANAGER, Role.SUPERVISOR}), deputy=True)
    assert deputy.own_roles == {Role.MANAGER}
    require_may_end_deputy(deputy, "x")
    crew = Actor("c", "C", frozenset({Role.CREW, Role.SUPERVISOR}), deputy=True)
    with pytest.raises(RefusedError):
        require_may_end_deputy(crew, "x")


@pytest.mark.parametrize(
    ("own", "roles", "may"),
    [
        ([("a", Role.MANAGER)], [("a", Role.CREW)], True),
        ([("a", Role.MANAGER)], [("b", Role.CREW)], False),
        ([("a", Role.MANAGER)], [("a", Role.CREW), ("a", Role.TECHNICIAN)], False),
        ([("a", Role.SUPERVISOR)], [("a", Role.MANAGER)], True),
        ([("a", Role.CREW)], [("a", Role.CREW)], False),
        ([("a", Role.MANAGER)], [], True),
        ([("a", Role.TECHNICIAN)], [], False),
    ],
)
def test_who_may_give_what(
    own: list[tuple[str, Role]], roles: list[tuple[str, Role]], may: bool
) -> None:
    assert may_give(own, roles) is may
