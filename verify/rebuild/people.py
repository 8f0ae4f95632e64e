"""What people are in a store, and what that lets them do."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from verify.errors import RefusedError
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


_ALL = frozenset(Role)
_ANSWERABLE = frozenset({Role.MANAGER, Role.SUPERVISOR})
_SUPERVISOR = frozenset({Role.SUPERVISOR})

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
    Action.CLEAR: _ANSWERABLE,
    Action.SEND_BACK: _ANSWERABLE,
    Action.RELEASE: _SUPERVISOR,
    Action.EMERGENCY_RELEASE: frozenset({Role.MANAGER}),
    Action.COUNTERSIGN: _SUPERVISOR,
    Action.PUT_IN_USE: _ALL,
    Action.LEAK: _ALL,
    Action.LATE_LEAK: _ALL,
    Action.OUT_OF_SERVICE: _ALL,
    Action.RETURN: _ANSWERABLE | {Role.TECHNICIAN},
    Action.GIVE_UP: _ANSWERABLE | {Role.TECHNICIAN},
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
