"""What is said of phases, states, parts and photos, in the visitor's language.

What the tool found is kept in English in the record; here it is said anew from the same data.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from verify.domain import Measure, Phase, View
from verify.measured import LENGTH, TURN, noteworthy
from verify.rebuild.holds import Hold, HoldReason
from verify.rebuild.people import Role
from verify.rebuild.replay import Standing
from verify.rebuild.states import State
from verify.web.language import Language, later

PHASES = {
    Phase.TAKE_APART: later("Take apart"),
    Phase.CLEAN: later("Clean"),
    Phase.PUT_BACK: later("Put back"),
    Phase.START_UP: later("Start up"),
}
STATES = {
    State.UNDER_WAY: later("Under way"),
    State.HANDED_IN: later("Waits for a release"),
    State.RELEASED: later("Released for start-up"),
    State.IN_USE: later("In use"),
    State.STOPPED: later("Stopped: it leaked"),
    State.OUT_OF_SERVICE: later("Out of service"),
    State.GIVEN_UP: later("Given up"),
}
ROLES = {
    Role.CREW: later("crew"),
    Role.MANAGER: later("manager"),
    Role.SUPERVISOR: later("supervisor"),
    Role.TECHNICIAN: later("technician"),
}
ROLES_DO = {  # MAY and SETTING_UP of verify/rebuild/people.py, in a few words
    Role.CREW: later("rebuilds machines"),
    Role.MANAGER: later("rebuilds, and looks at what was flagged; adds crew"),
    Role.SUPERVISOR: later("rebuilds, looks at what was flagged, releases machines; adds anybody"),
    Role.TECHNICIAN: later("rebuilds, and sets machines up"),
}
STANDINGS = {
    Standing.TO_DO: later("to do"),
    Standing.AGAIN: later("take the photo again"),
    Standing.HELD: later("held"),
    Standing.TO_ACKNOWLEDGE: later("to be read"),
    Standing.DONE: later("done"),
}
POWER = later(
    "Hands in only when it is off and unplugged, the plug where you see it. Wired in: locked out "
    "by somebody entitled to."
)
MANUAL = later("The maker's manual and local code come first.")
SANITIZER = later(
    "Mix and use sanitizer as its label says; gloves and eye protection where the label asks "
    "for them. Never mix it with anything else."
)
ALLERGENS = later(
    "Mix holds milk and other allergens: wash hands, brushes and sink before other work."
)
NO_TOOLS = later("By hand only, no tools: forced parts break and end in the product.")
MOVING = later("Keep hands, sleeves and hair away: beaters and pump start to move.")
CAUTIONS = {
    Phase.TAKE_APART: (POWER, MANUAL),
    Phase.CLEAN: (SANITIZER, ALLERGENS),
    Phase.PUT_BACK: (POWER, NO_TOOLS),
    Phase.START_UP: (MOVING, MANUAL),
}
_RETAKE = {  # Spanish needs them; English is in the record
    "blur": later("Hold the phone still, tap the part to focus, and take it again."),
    "dark": later("It is too dark. Turn on a light or the flash, and take it again."),
    "glare": later("A lamp shines back from a part. Tilt the phone a little."),
    "cropped": later("Step back: one side is cut off."),
    "covered": later("Something covers a part. Take it away, and take it again."),
    "wrong-view": later("This shows something else than what this step asks for."),
    "not-found": later("The part to check was not found. Hold the phone in front of it."),
    "unreadable": later("The file cannot be read as a picture. Take the photo again."),
}
_FOUND = {  # states that machine folders often name
    "missing": later("missing"),
    "reversed": later("the wrong way round"),
    "backwards": later("backwards"),
    "sideways": later("turned sideways"),
    "loose": later("loose"),
    "turned": later("turned"),
    "seal-missing": later("without its seal"),
    "seal-off": later("with its seal off its place"),
    "upper-ring-missing": later("without its upper ring"),
    "displaced": later("not in its place"),
}
_DOUBTS = {
    "older": later("The camera says that this photo was taken before the rebuild began."),
    "used-before": later("This very photo was used before."),
    "saved-anew": later("This is an earlier photo, saved anew, made smaller or cropped."),
    "other-machine": later("The sticker in this photo is that of another machine."),
    "no-sticker": later("The sticker of the machine is not to be seen in this photo."),
}
_HELD = later("The photo is held.")


_READINGS = (
    later("The strength was not read"),
    later("No strength is allowed at this pH or hardness"),
    later("No temperature is allowed at the strength that was read"),
)


def title_of(view: View | None, part: str, language: Language) -> str:
    """Return what a part is called; its id where the machine no longer has it."""
    found = next((p for p in view.parts if p.id == part), None) if view else None
    return found.title.get(language.code) if found else part.replace("-", " ")


def spoken_state(state: str, language: Language) -> str:
    """Return a state as words."""
    known = _FOUND.get(state)
    return language.say(known) if known else state.replace("-", " ")


def finding(found: Mapping[str, Any], view: View | None, language: Language) -> str:
    """Return one sentence on a part that needs a look."""
    other = _taken_for(found, view)
    if other:
        return language.say(
            "%(part)s: what is there looks like “%(other)s”.",
            part=title_of(view, found["id"], language),
            other=title_of(view, other, language),
        )
    if language.code == "en":
        return str(found["message"])
    part = title_of(view, found["id"], language)
    if found["verdict"] == "unseen":
        return language.say("%(part)s: it cannot be seen well.", part=part)
    if found["verdict"] == "unsure":
        return language.say(
            "%(part)s: it cannot be told from this photo. Look at it yourself.", part=part
        )
    state = found["found"]
    if state in (None, "unknown"):
        return language.say("%(part)s: it does not look as it should.", part=part)
    return language.say(
        "%(part)s: it looks %(state)s.", part=part, state=spoken_state(state, language)
    )


def _taken_for(found: Mapping[str, Any], view: View | None) -> str | None:
    """Return the part that a wrong one is mixed up with, where the machine's folder says so."""
    if found["verdict"] != "fault" or not found["found"]:
        return None
    part = next((p for p in view.parts if p.id == found["id"]), None) if view else None
    fault = part.fault(found["found"]) if part else None
    return fault.with_part if fault else None


def measured(found: Mapping[str, Any], language: Language) -> str:
    """Return what was measured of a part and is not usual, in a few words; else nothing."""
    taken = [
        Measure(m["name"], m["value"], m["unit"])
        for m in found["measures"]
        if m["value"] is not None
    ]
    return ", ".join(_measure(one, language) for one in noteworthy(found["turn_deg"], taken))


def _measure(taken: Measure, language: Language) -> str:
    value = language.number(round(taken.value))
    if taken.name == LENGTH:
        return language.say("length %(value)s %% of right ones", value=value)
    if taken.name == TURN:
        return language.say("turned %(value)s°", value=value)
    return language.say("up to %(value)s %(unit)s out of place", value=value, unit=taken.unit)


def fix(found: Mapping[str, Any], view: View | None, language: Language) -> str:
    """Return what to do about a part, where the machine's folder says it; else nothing."""
    if found["verdict"] != "fault":
        return ""  # what cannot be told needs a look first
    part = next((p for p in view.parts if p.id == found["id"]), None) if view else None
    fault = part.fault(found["found"]) if part and found["found"] else None
    if fault is not None and fault.fix is not None:
        return fault.fix.get(language.code)
    return str(found["fix"] or "")


def retake(result: Mapping[str, Any], language: Language) -> str:
    """Return why a photo has to be taken again, and what to do."""
    why = result["retake"]
    if language.code == "en" or why["reason"] not in _RETAKE:
        return str(why["advice"])
    advice = _RETAKE[why["reason"]]
    return language.say(advice)


def headline(result: Mapping[str, Any], language: Language) -> str:
    """Return the verdict on a photo in a few words."""
    say = language.say
    if result["verdict"] == "pass":
        return say("All right")
    if result["verdict"] == "retake":
        return say("Take it again")
    wrong = sum(p["verdict"] == "fault" and p["severity"] == "stop" for p in result["parts"])
    if wrong:
        return say("Stop: %(n)s to put right", n=wrong)
    return say("Stop: have a look yourself")


def reading(data: Mapping[str, Any], language: Language) -> str:
    """Return what was said of a reading, from the data of its entry."""
    if language.code == "en":
        return str(data["message"])
    unit, low, high = data["unit"], data["low"], data["high"]
    value = language.reading(data["value"], unit)
    known = next((text for text in _READINGS if data["message"].startswith(text)), None)
    if known is not None:
        told = language.say(known)
    elif data["ok"]:
        told = language.say("%(value)s is within its limits", value=value)
    elif low is not None and data["value"] < low:
        least = language.reading(low, unit)
        told = language.say("%(value)s is too low: at least %(low)s", value=value, low=least)
    elif high is not None and data["value"] > high:
        most = language.reading(high, unit)
        told = language.say("%(value)s is too high: at most %(high)s", value=value, high=most)
    else:
        return str(data["message"])
    first = language.say("label and local code come first")
    return f"{told} ({first})" if data.get("table") else told


def hold(
    held: Hold,
    view: View | None,
    language: Language,
    found: Mapping[str, Any] | None,
    data: Mapping[str, Any],
) -> str:
    """Return what is held, in one sentence.

    Args:
        held: the hold.
        view: of its photo, if it has one.
        language: of the reader.
        found: what was found of its part, if it is about one.
        data: of the entry that it came from.
    """
    if held.why is HoldReason.PART and found is not None:
        return finding(found, view, language)
    if language.code == "en":
        return held.message
    if held.why is HoldReason.PHOTO:
        code = held.id.partition("/")[2]
        doubt = _DOUBTS.get(code, _HELD)
        return language.say(doubt)
    if held.why is HoldReason.ANSWER:
        note = held.message.partition(": ")[2]
        said = language.say("Answered with no.")
        return f"{said} {note}".strip()
    if held.why is HoldReason.READING and "value" in data:
        return reading(data, language)
    if held.why is HoldReason.SKIPPED:
        said = language.say("Not done:")
        return f"{said} {held.message.partition(': ')[2]}"
    return held.message
