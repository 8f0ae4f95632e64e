"""The words of one part: what it should be, what it can be caught as."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from verify.domain import UNKNOWN_STATE, Fault, How, Part, Severity, Symmetry, Text, View
from verify.store.draft_edits import said, slug
from verify.web.setup_build import Bench
from verify.web.setup_pages import FaultLine, PartPage
from verify.web.setup_words import (
    EXPECT,
    HOWS,
    MIXED_UP,
    SYMMETRIES,
    WRONGS,
    expect_words,
    fault_words,
)

OWN = "*own"  # what it should be, where it stands in no list


@dataclass(frozen=True)
class PartSaid:
    """What a form says of a part.

    Attributes:
        expect: one of the list, or ``OWN`` for ``own_expect``.
        faults: states that are ticked.
        mixed_with: ids of parts that it can be mixed up with.
        own_fault, own_how: one more fault in own words; empty for none.
        fixes: by state, what to do about it.
        alike: id of a part that looks alike; empty for none.
    """

    title: str
    expect: str
    own_expect: str
    stop: bool
    faults: Sequence[str]
    mixed_with: Sequence[str]
    own_fault: str
    own_how: How
    fixes: Mapping[str, str]
    symmetry: Sequence[Symmetry]
    alike: str


def part_page(on: Bench, view: View, part: Part, problem: str = "") -> PartPage:
    """Return the page with the words of a part."""
    language = on.visit.language
    url = f"{on.view_url(view.id)}/part/{part.id}"
    others = [p for p in view.parts if p.id != part.id]
    titles = tuple((p.id, p.title.get(language.code)) for p in others)
    expects = [(state, language.say(text)) for state, text in EXPECT]
    if part.expect not in dict(EXPECT):
        expects.insert(0, (part.expect, expect_words(part.expect, language)))
    mate = next((p.id for p in others if part.alike and p.alike == part.alike), "")
    return PartPage(
        setup=on.url,
        view_url=on.view_url(view.id),
        url=url,
        machine=on.draft.machine.title.get(language.code),
        view=view.title.get(language.code),
        title=part.title.get(language.code),
        picture=f"{url}.jpg?f={abs(hash((view.master, part.outline)))}",
        expect=part.expect,
        expects=(*expects, (OWN, language.say("something else:"))),
        own_expect="",
        stop=part.severity is Severity.STOP,
        faults=tuple(_fault_lines(on, view, part)),
        mixed_up=titles,
        mixed_with=tuple(
            f.with_part for f in part.faults if f.with_part and f.state.startswith(MIXED_UP)
        ),
        hows=tuple((how.value, language.say(text)) for how, text in HOWS),
        symmetries=tuple(
            (change.value, language.say(text), change in part.symmetry)
            for change, text in SYMMETRIES
        ),
        alike=mate,
        others=titles,
        problem=problem,
    )


def _fault_lines(on: Bench, view: View, part: Part) -> list[FaultLine]:
    language = on.visit.language
    known = {(wrong.state, wrong.how): language.say(wrong.words) for wrong in WRONGS}
    lines = []
    for fault in part.faults:
        if not fault.state.startswith(MIXED_UP):
            fix = fault.fix.get(language.code) if fault.fix else ""
            lines.append(FaultLine(fault.state, fault_words(fault, view, language), True, fix))
    there = {line.state for line in lines}
    lines += [
        FaultLine(state, text, False, "")
        for (state, _), text in known.items()
        if state not in there and state != part.expect
    ]
    return lines


def problem_of(form: PartSaid) -> str:
    """Return what is wrong with what a form says, in English; empty for nothing."""
    expect = _expect(form)
    if not expect:
        return "Say what it should be."
    if expect in (UNKNOWN_STATE, "displaced") or expect in form.faults:
        return "What it should be cannot be a fault too."
    if form.own_fault.strip() and slug(form.own_fault, (), "") in ("", UNKNOWN_STATE, expect):
        return "Say the fault in other words."
    return ""


def with_words(view: View, part: Part, form: PartSaid, code: str) -> Part:
    """Return a part as a form says it; what the form does not show stays."""
    title = part.title
    if form.title.strip() and form.title.strip() != title.get(code):
        title = said(title, form.title.strip(), code)
    mate = next((p for p in view.parts if p.id == form.alike and p.id != part.id), None)
    return replace(
        part,
        title=title,
        expect=_expect(form),
        severity=Severity.STOP if form.stop else Severity.CAUTION,
        faults=tuple(_faults(view, part, form, code)),
        symmetry=frozenset(form.symmetry),
        alike=None if mate is None else mate.alike or mate.id,
    )


def _expect(form: PartSaid) -> str:
    return slug(form.own_expect, (), "") if form.expect == OWN else form.expect


def _faults(view: View, part: Part, form: PartSaid, code: str) -> list[Fault]:
    before = {fault.state: fault for fault in part.faults}
    wrongs = {wrong.state: wrong for wrong in WRONGS}
    found: list[Fault] = []
    for state in dict.fromkeys(form.faults):
        if state in before:
            fault = before[state]
        elif state in wrongs:
            fault = Fault(state, wrongs[state].how, turn_deg=wrongs[state].turn_deg)
        else:
            continue
        found.append(replace(fault, fix=_fix(fault.fix, form.fixes.get(state, ""), code)))
    for other in view.parts:
        if other.id in form.mixed_with and other.id != part.id:
            state = MIXED_UP + other.id
            known = before.get(state) or Fault(state, How.SWAPPED, with_part=other.id)
            found.append(known)
    own = slug(form.own_fault, (), "") if form.own_fault.strip() else ""
    if own and all(fault.state != own for fault in found):
        how = How.DISPLACED if own == "displaced" else form.own_how
        found.append(Fault(own, how))
    return found


def _fix(before: Text | None, words: str, code: str) -> Text | None:
    words = words.strip()
    if not words:
        return None
    if before is None:
        return Text({"": words})
    return before if before.get(code) == words else said(before, words, code)
