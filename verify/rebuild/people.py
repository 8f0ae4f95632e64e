"""What people are in a store, and what that lets them do."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from verify.errors import RefusedError, UsageError
from verify.rebuild.entries import Action


class Role(StrEnum):
    """What a person is in one store; several at once are possible."""

    CREW = "crew"
    MANAGER = "manager"
    SUPERVISOR = "supervisor"
    TECHNICIAN = "technician"


@dataclass(frozen=True)
class Actor:
    """Who asks, with the roles that count in the store of the rebuild, now.

    Attributes:
        id: of the person.
        name: as it is shown.
        roles: those of the person; a deputy has ``SUPERVISOR`` while standing in.
        deputy: True while standing in for a supervisor.
    """

    id: str
    name: str
    roles: frozenset[Role]
    deputy: bool = False

    @property
    def own_roles(self) -> frozenset[Role]:
        """Those that stay when standing in ends; only these let anybody give something on."""
        return self.roles - {Role.SUPERVISOR} if self.deputy else self.roles


_ALL = frozenset(Role)
_SUPERVISOR = frozenset({Role.SUPERVISOR})
ANSWERABLE = frozenset({Role.MANAGER, Role.SUPERVISOR})  # decide about rebuilds and people
SETTING_UP = ANSWERABLE | {Role.TECHNICIAN}  # machines and stickers; they see what goes wrong, too
NAMING_DEPUTIES = _SUPERVISOR  # who stands in may release: a right that managers lack themselves
LONGEST_DEPUTY = timedelta(days=31)

# Who may do what. Stopping a machine is open to all, setting it free to few.
MAY: dict[Action, frozenset[Role]] = {
    Action.START: _ALL,
    Action.PHOTO: _ALL,
    Action.ANSWER: _ALL,
    Action.READING: _ALL,
    Action.SKIP: _ALL,
    Action.ACKNOWLEDGE: _ALL,
    Action.REPLACE: _ALL,
    Action.HAND_IN: _ALL,
    Action.CLEAR: ANSWERABLE,
    Action.SEND_BACK: ANSWERABLE,
    Action.RELEASE: _SUPERVISOR,
    Action.EMERGENCY_RELEASE: frozenset({Role.MANAGER}),
    Action.COUNTERSIGN: _SUPERVISOR,
    Action.PUT_IN_USE: _ALL,
    Action.LEAK: _ALL,
    Action.LATE_LEAK: _ALL,
    Action.OUT_OF_SERVICE: _ALL,
    Action.RETURN: SETTING_UP,
    Action.GIVE_UP: SETTING_UP,
}

# Doing one of these makes a person one of those who did the rebuild.
WORK = frozenset(
    {
        Action.START,
        Action.PHOTO,
        Action.ANSWER,
        Action.READING,
        Action.SKIP,
        Action.ACKNOWLEDGE,
        Action.REPLACE,
        Action.HAND_IN,
    }
)

# What nobody may do to a rebuild that they did themselves: a second pair of eyes is the point.
NEEDS_OTHER_EYES = frozenset(
    {Action.CLEAR, Action.RELEASE, Action.EMERGENCY_RELEASE, Action.COUNTERSIGN}
)


def require_role(action: Action, actor: Actor) -> None:
    """Refuse somebody whose roles do not cover an action.

    Raises:
        RefusedError: names who may do it.
    """
    if not MAY[action] & actor.roles:
        may = ", ".join(role.value for role in Role if role in MAY[action])
        raise RefusedError("role", f"{actor.name} may not do this; it needs: {may}")


def require_other_eyes(action: Action, actor: Actor, doers: frozenset[str]) -> None:
    """Refuse somebody who did the rebuild, where other eyes are needed.

    Raises:
        RefusedError: says who else is needed.
    """
    if action in NEEDS_OTHER_EYES and actor.id in doers:
        who = "supervisor or manager" if action is Action.CLEAR else "supervisor"
        raise RefusedError(
            "own-work",
            f"{actor.name} took part in this rebuild; a {who} who did not has to decide",
        )


def giving(role: Role) -> frozenset[Role]:
    """Return who may give a role in a store, or take it: managers crew, supervisors all."""
    return ANSWERABLE if role is Role.CREW else _SUPERVISOR


def may_give(own: Iterable[tuple[str, Role]], roles: Collection[tuple[str, Role]]) -> bool:
    """True for somebody whose own roles allow to give, or take, roles in stores.

    Args:
        own: pairs of store and role; what standing in gives is none of them.
        roles: the same of what is given; for none of them, any answerable role will do.
    """
    held = set(own)
    if not roles:
        return any(role in ANSWERABLE for _, role in held)
    return all(any((store, mine) in held for mine in giving(role)) for store, role in roles)


def require_deputy_time(starts: datetime, ends: datetime, now: datetime) -> None:
    """Refuse a time for which nobody can stand in.

    Raises:
        UsageError: it ends before it begins, is over already, or is too long.
    """
    if ends <= starts:
        raise UsageError("a deputy's time ends before it begins")
    if ends <= now:
        raise UsageError("a deputy's time is over already")
    if ends - starts > LONGEST_DEPUTY:
        raise UsageError("a deputy stands in for 31 days at most")


def require_may_end_deputy(ender: Actor, deputy: str) -> None:
    """Refuse whoever may not end that somebody stands in: taking a right away is open to more.

    Raises:
        RefusedError: no manager or supervisor of the store, and not the deputy.
    """
    if ender.id != deputy and not ender.own_roles & ANSWERABLE:
        raise RefusedError(
            "role", f"{ender.name} may not do this; it needs: manager, supervisor or the deputy"
        )
