"""What is said of a part, in plain words."""

from __future__ import annotations

from ..domain import DISPLACED_STATE, UNKNOWN_STATE, Part, PartVerdict, RetakeReason


def spoken(state: str) -> str:
    """Return a state's id as words: 'not-run-in' becomes 'not run in'."""
    return state.replace("-", " ")


def message(part: Part, verdict: PartVerdict, found: str | None, why: RetakeReason | None) -> str:
    """Return one sentence on a part."""
    title = str(part.title)
    name = title[:1].lower() + title[1:]
    if verdict is PartVerdict.OK:
        return f"The {name} is {spoken(part.expect)}."
    if verdict is PartVerdict.UNSEEN:
        reason = {
            RetakeReason.CROPPED: "is cut off at the edge of the photo",
            RetakeReason.GLARE: "is hidden by a bright reflection",
            RetakeReason.BLUR: "is too blurred to judge",
        }.get(why or RetakeReason.COVERED, "cannot be seen: something is in front of it")
        return f"The {name} {reason}."
    if verdict is PartVerdict.UNSURE:
        return f"The {name} cannot be told from this photo. Look at it yourself."
    if found == DISPLACED_STATE:
        return f"The {name} is not in its place."
    if found is None or found == UNKNOWN_STATE:
        return f"The {name} does not look as it should."
    return f"The {name} is {spoken(found)}."


def fix(part: Part, verdict: PartVerdict, found: str | None) -> str | None:
    """Return what to do about a fault, where the machine file says it."""
    if verdict is not PartVerdict.FAULT or found is None:
        return None
    fault = part.fault(found)
    return str(fault.fix) if fault is not None and fault.fix is not None else None
