"""The states of a rebuild and every way from one to another.

::

    start → under-way ⇄ (photo, answer, reading, skip, acknowledge, replace, clear)
    under-way      → hand-in                       → handed-in
    handed-in      → send-back                     → under-way
    handed-in      → release, emergency-release    → released      (for start-up)
    released       ⇄ (photo, answer, reading, … of start-up)
    released       → put-in-use                    → in-use
    released, in-use → leak                        → stopped
    in-use         ⇄ (late-leak: told when a newer rebuild has begun; only counted)
    stopped        → send-back                     → under-way
    under-way, handed-in, released, in-use, stopped → out-of-service → out-of-service
    out-of-service → return                        → under-way
    under-way, handed-in, stopped, out-of-service  → give-up → given-up

What is not in the table is not allowed.
"""

from __future__ import annotations

from enum import StrEnum

from verify.errors import RefusedError
from verify.rebuild.entries import Action


class State(StrEnum):
    """Where a rebuild stands."""

    UNDER_WAY = "under-way"
    HANDED_IN = "handed-in"  # waits for a release
    RELEASED = "released"  # for start-up
    IN_USE = "in-use"
    STOPPED = "stopped"  # it leaked
    OUT_OF_SERVICE = "out-of-service"
    GIVEN_UP = "given-up"


_STEPS = (
    Action.PHOTO,
    Action.ANSWER,
    Action.READING,
    Action.SKIP,
    Action.ACKNOWLEDGE,
    Action.REPLACE,
    Action.CLEAR,
)

TRANSITIONS: dict[tuple[State, Action], State] = {
    **{(State.UNDER_WAY, action): State.UNDER_WAY for action in _STEPS},
    (State.UNDER_WAY, Action.HAND_IN): State.HANDED_IN,
    (State.UNDER_WAY, Action.OUT_OF_SERVICE): State.OUT_OF_SERVICE,
    (State.UNDER_WAY, Action.GIVE_UP): State.GIVEN_UP,
    (State.HANDED_IN, Action.CLEAR): State.HANDED_IN,
    (State.HANDED_IN, Action.ACKNOWLEDGE): State.HANDED_IN,
    (State.HANDED_IN, Action.SEND_BACK): State.UNDER_WAY,
    (State.HANDED_IN, Action.RELEASE): State.RELEASED,
    (State.HANDED_IN, Action.EMERGENCY_RELEASE): State.RELEASED,
    (State.HANDED_IN, Action.OUT_OF_SERVICE): State.OUT_OF_SERVICE,
    (State.HANDED_IN, Action.GIVE_UP): State.GIVEN_UP,
    **{(State.RELEASED, action): State.RELEASED for action in _STEPS},
    (State.RELEASED, Action.COUNTERSIGN): State.RELEASED,
    (State.RELEASED, Action.PUT_IN_USE): State.IN_USE,
    (State.RELEASED, Action.LEAK): State.STOPPED,
    (State.RELEASED, Action.OUT_OF_SERVICE): State.OUT_OF_SERVICE,
    (State.IN_USE, Action.COUNTERSIGN): State.IN_USE,
    (State.IN_USE, Action.LEAK): State.STOPPED,
    (State.IN_USE, Action.LATE_LEAK): State.IN_USE,
    (State.IN_USE, Action.OUT_OF_SERVICE): State.OUT_OF_SERVICE,
    (State.STOPPED, Action.COUNTERSIGN): State.STOPPED,
    (State.STOPPED, Action.SEND_BACK): State.UNDER_WAY,
    (State.STOPPED, Action.OUT_OF_SERVICE): State.OUT_OF_SERVICE,
    (State.STOPPED, Action.GIVE_UP): State.GIVEN_UP,
    (State.OUT_OF_SERVICE, Action.RETURN): State.UNDER_WAY,
    (State.OUT_OF_SERVICE, Action.GIVE_UP): State.GIVEN_UP,
}

# A machine in one of these has no rebuild going on, so that a new one may be started.
CLOSED = frozenset({State.IN_USE, State.GIVEN_UP})


def after(state: State, action: Action) -> State:
    """Return the state that an action leads to.

    Raises:
        RefusedError: it is not allowed in this state; names what is.
    """
    try:
        return TRANSITIONS[state, action]
    except KeyError:
        allowed = ", ".join(a.value for s, a in TRANSITIONS if s is state) or "nothing: it is over"
        raise RefusedError(
            "state",
            f"'{action.value}' does not fit a rebuild that is {state.value}; "
            f"now possible: {allowed}",
        ) from None
