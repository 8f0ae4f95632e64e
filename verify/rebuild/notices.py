"""Who is told that a rebuild waits, and when: pure rules.

The supervisors of the store are told at once. Where a machine cannot be used until somebody
answers, and none of those who may decide has opened the evidence after the store's time, whoever
stands in for them is told, too; where nobody does, the managers, who can call somebody.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from verify.rebuild.entries import Action
from verify.rebuild.people import MAY, Role
from verify.rebuild.states import State

DEPUTY_MINUTES = 20  # before deputies are told; a store may say otherwise
# What has waited for longer was seen by other means, or is nobody's business any more: whoever
# turns messages on is not told of old things.
TELLS_OF = timedelta(days=7)


class Why(StrEnum):
    """What somebody is needed for."""

    RELEASE = "release"
    LEAK = "leak"
    OUT_OF_SERVICE = "out-of-service"
    COUNTERSIGN = "countersign"  # of an emergency release


class Round(StrEnum):
    """Which of the two times it is told."""

    FIRST = "first"
    DEPUTIES = "deputies"


# The entry that each kind of waiting begins with.
BEGINS = {
    Why.RELEASE: Action.HAND_IN,
    Why.LEAK: Action.LEAK,
    Why.OUT_OF_SERVICE: Action.OUT_OF_SERVICE,
    Why.COUNTERSIGN: Action.EMERGENCY_RELEASE,
}
# What ends the waiting; who may do that may answer.
_ANSWERS = {
    Why.RELEASE: Action.RELEASE,
    Why.LEAK: Action.SEND_BACK,
    Why.OUT_OF_SERVICE: Action.RETURN,
    Why.COUNTERSIGN: Action.COUNTERSIGN,
}
_URGENT = frozenset({Why.RELEASE, Why.LEAK})  # the others wait until somebody has time
_OTHER_EYES = frozenset({Why.RELEASE, Why.COUNTERSIGN})
_OF_STATES = {
    State.HANDED_IN: Why.RELEASE,
    State.STOPPED: Why.LEAK,
    State.OUT_OF_SERVICE: Why.OUT_OF_SERVICE,
}


@dataclass(frozen=True)
class Wait:
    """A rebuild that waits for somebody.

    Attributes:
        entry: number of the entry that the waiting began with.
        since: when that was written.
        begun_by: who wrote it.
        doers: ids of all who had a part in the rebuild.
        opened: True once somebody who may decide has opened the evidence.
    """

    rebuild: str
    entry: int
    why: Why
    store: str
    machine: str
    since: datetime
    begun_by: str
    doers: frozenset[str]
    opened: bool = False

    @property
    def barred(self) -> frozenset[str]:
        """Who need not be told: who has begun it, or had a part where other eyes are needed."""
        own = frozenset({self.begun_by})
        return own | self.doers if self.why in _OTHER_EYES else own

    @property
    def urgent(self) -> bool:
        """True where the machine stands still until somebody answers."""
        return self.why in _URGENT


@dataclass(frozen=True)
class Team:
    """Ids of those in a store who can be told something, now."""

    supervisors: tuple[str, ...] = ()
    deputies: tuple[str, ...] = ()
    managers: tuple[str, ...] = ()


def waits_for(state: State, *, to_countersign: bool) -> tuple[Why, ...]:
    """Return what a rebuild in a state waits for; nothing for most."""
    why = _OF_STATES.get(state)
    found = () if why is None else (why,)
    return (*found, Why.COUNTERSIGN) if to_countersign else found


def may_answer(why: Why) -> frozenset[Role]:
    """Return the roles of those whom a rebuild waits for, in its store."""
    return MAY[_ANSWERS[why]]


def rounds(wait: Wait, now: datetime, deputies_after: timedelta, *, told: bool) -> list[Round]:
    """Return which rounds are due.

    Args:
        wait: what waits.
        now: with a zone.
        deputies_after: time of the store.
        told: somebody, or something, is told in the first round.
    """
    if now - wait.since > TELLS_OF:
        return []
    late = not told or now >= wait.since + deputies_after
    if wait.urgent and late and not wait.opened:
        return [Round.FIRST, Round.DEPUTIES]
    return [Round.FIRST]


def people(wait: Wait, team: Team, which: Round) -> list[str]:
    """Return whom a round tells: nobody twice, and nobody who may not decide anyway."""
    first = _without(team.supervisors, wait.barred)
    if which is Round.FIRST:
        return first
    deputies = _without(team.deputies, wait.barred | set(first))
    # A manager who did the work may not decide either, but can call somebody who may.
    return deputies or _without(team.managers, {wait.begun_by, *first})


def _without(ids: Iterable[str], left_out: Iterable[str]) -> list[str]:
    out = set(left_out)
    return [i for i in dict.fromkeys(ids) if i not in out]
