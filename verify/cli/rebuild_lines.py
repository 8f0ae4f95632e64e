"""A rebuild as lines for the terminal, or as one line of JSON."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from typing import TYPE_CHECKING

from verify.cli.output import Ink, answer, answer_json, clean, pad, paint, rule, width, wrapped

if TYPE_CHECKING:
    from verify.rebuild.replay import Rebuild, StepState
    from verify.store.records import FoundLeak, Listed

# A standing is told by its word; the colour only underlines it.
STANDINGS: dict[str, tuple[str, Ink]] = {
    "to-do": ("to do", Ink.QUIET),
    "again": ("TAKE AGAIN", Ink.DOUBT),
    "held": ("HELD", Ink.BAD),
    "to-acknowledge": ("READ IT", Ink.DOUBT),
    "done": ("done", Ink.GOOD),
}
STATES: dict[str, tuple[str, Ink]] = {
    "under-way": ("UNDER WAY", Ink.STRONG),
    "handed-in": ("HANDED IN, waits for release", Ink.DOUBT),
    "released": ("RELEASED FOR START-UP", Ink.GOOD),
    "in-use": ("IN USE", Ink.GOOD),
    "stopped": ("STOPPED, it leaked", Ink.BAD),
    "out-of-service": ("OUT OF SERVICE", Ink.BAD),
    "given-up": ("GIVEN UP", Ink.QUIET),
}
_PHASES = {
    "take-apart": "Take apart",
    "clean": "Clean and sanitize",
    "put-back": "Put back",
    "start-up": "Start up, after the release",
}
_WORD = 11


def show_rebuild(rebuild: Rebuild, *, as_json: bool, names: Mapping[str, str]) -> None:
    """Write where a rebuild stands."""
    if as_json:
        from verify.rebuild.to_json import rebuild_to_json

        line = json.dumps(rebuild_to_json(rebuild), ensure_ascii=False, allow_nan=False)
        answer_json(line)
        return
    for line in rebuild_lines(rebuild, names):
        answer(line)


def rebuild_lines(rebuild: Rebuild, names: Mapping[str, str]) -> Iterator[str]:
    """Yield a head, a line for each step with what holds it, and what is next."""
    word, ink = STATES[rebuild.state.value]
    yield rule()
    yield f"{clean(rebuild.id)}  {paint(word, ink)}"
    if rebuild.reason:
        yield from wrapped(rebuild.reason, "    ", "  ")
    phase = None
    for state in rebuild.steps:
        if state.step.phase is not phase:
            phase = state.step.phase
            yield paint(_PHASES[phase.value], Ink.STRONG)
        yield from _step_lines(state, names)
    for leak in rebuild.leaks:
        who = names.get(leak.by, leak.by)
        yield from wrapped(f"leak: {leak.where}; seen by {who} at {clock(leak.at)}", "    ", "  ! ")
    for item in rebuild.replaced:
        lacked = item.get("not_in_kit", 0)
        text = f"replaced: {item['count']} × {item['item']}, {item['reason']}"
        if lacked:
            text += f"; {lacked} more than the kit listed: count the spares ('verify wear stock')"
        yield from wrapped(text, "    ", "  ! " if lacked else "  · ")
    yield rule()
    yield from wrapped(what_next(rebuild), "  ", "→ ")


def _step_lines(state: StepState, names: Mapping[str, str]) -> Iterator[str]:
    word, ink = STANDINGS[state.standing.value]
    who = names.get(state.by, state.by) if state.by else ""
    when = clock(state.at) if state.at else ""
    tail = f"{pad(who, 16)} {pad(when, 9)}" if who else " " * 26
    room = width() - _WORD - len(tail) - 4
    title = clean(str(state.step.title))
    yield f"  {pad(title, room)} {paint(pad(word, _WORD), ink)} {tail}".rstrip()
    for hold in state.open_holds:
        yield from wrapped(hold.message, "        ", f"      {hold.id}: ")
    for part, message in state.cautions:
        yield from wrapped(message, "        ", f"      caution, {part}: ")
    for line in _advice(state):
        yield from wrapped(line, "        ", "      → ")
    for hold in state.holds:
        if hold.cleared is not None:
            look = hold.cleared
            text = f"{hold.id} cleared by {names.get(look.by, look.by)}, {look.result.value}: "
            yield from wrapped(text + look.reason, "        ", "      ")


def _advice(state: StepState) -> Iterator[str]:
    """Yield what to do about a step that is held or could not be judged."""
    if state.standing.value == "again":
        yield state.data["result"]["retake"]["advice"]
    elif state.standing.value == "held":
        if state.step.if_not is not None and state.kind in ("answer", "reading"):
            yield str(state.step.if_not)
        for part in state.data.get("result", {}).get("parts", ()):
            if part["fix"] and any(hold.part == part["id"] for hold in state.open_holds):
                yield part["fix"]


def what_next(rebuild: Rebuild) -> str:
    """Return what has to be done next, in a sentence."""
    state, step = rebuild.state.value, rebuild.next_step
    if state in ("under-way", "released") and step is not None:
        asked = step.step.ask if step.standing.value == "to-do" else None
        held = step.standing.value == "held"
        text = "Held" if held else "Next"
        text += f": {step.step.title} ({step.step.id})." + (f" {asked}" if asked else "")
        everything = all(s.answered for s in rebuild.in_phase_group(start_up=state == "released"))
        if held and everything:
            text += " Put it right and do the step again, or hand it in for somebody to look."
        return text
    return {
        "under-way": "All steps are answered: hand it in.",
        "handed-in": _for_release(rebuild),
        "released": "Start-up is done: put it in use.",
        "in-use": "Nothing. If it leaks, report it with 'leak'.",
        "stopped": "Do not serve from it. A manager or supervisor sends steps back.",
        "out-of-service": "Do not use it. When it is mended, 'return' names the steps to do again.",
        "given-up": "Nothing: it is over.",
    }[state]


def _for_release(rebuild: Rebuild) -> str:
    if rebuild.open_holds:
        return (
            f"{len(rebuild.open_holds)} held: somebody who did not do the rebuild clears each with "
            "a reason, or sends it back."
        )
    return "A supervisor who did not do the rebuild releases it for start-up, or sends it back."


def listed_lines(rebuilds: list[Listed]) -> Iterator[str]:
    """Yield one line for each rebuild."""
    room = max(24, width() - 40)
    yield paint(
        f"{pad('rebuild', room)} {pad('state', 15)} {pad('held', 5)} {pad('leaks', 5)}", Ink.STRONG
    )
    for item in rebuilds:
        note = "  to countersign" if item.to_countersign else ""
        held, leaks = item.open_holds or "", item.leaks or ""
        yield (
            f"{pad(clean(item.id), room)} {pad(item.state.value, 15)} {pad(str(held), 5)} "
            f"{pad(str(leaks), 5)}{note}"
        ).rstrip()
    if not rebuilds:
        yield "  none"


def leak_lines(leaks: Sequence[FoundLeak]) -> Iterator[str]:
    """Yield a few lines for each leak found after a start."""
    for leak in leaks:
        step = f", step {leak.step}" if leak.step else ""
        photos = f"{len(leak.photos)} photos counted then"
        yield from wrapped(f"{leak.where}{step}; {photos}", "    ", f"{leak.rebuild}: ")


def clock(at: datetime) -> str:
    """Return the time of day, in UTC."""
    return f"{at:%H:%M} UTC"
