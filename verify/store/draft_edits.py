"""What can be done to a machine that is being set up: pure functions from draft to draft."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from types import MappingProxyType

from verify.domain import (
    Fault,
    How,
    Machine,
    Outline,
    Part,
    Phase,
    Shot,
    Step,
    StepKind,
    Text,
    View,
)
from verify.errors import UsageError
from verify.store.drafts import Draft

MOST_PARTS = 80  # of one view
MOST_VIEWS = 20
MOST_SHOTS = 80  # of one view
EXPECT = "in-place"  # of a part of which nobody has said anything yet
FIRST_FAULT = Fault("missing", How.ABSENT)


class Lack(StrEnum):
    """What a machine still needs before it can be tried."""

    VIEW = "view"
    PHOTO = "photo"
    PART = "part"
    CHECK = "check"  # outlines that the tool laid were looked at by nobody
    SAID = "said"  # of a shot nobody has said what it shows


@dataclass(frozen=True)
class Drawn:
    """A part as it was drawn.

    Attributes:
        id: of the part; empty for a new one.
        like: id of the part that it was copied from, whose words it takes; empty for none.
        shape: ``rectangle``, ``ellipse`` or ``polygon``.
    """

    id: str
    title: str
    outline: Outline
    shape: str = "polygon"
    like: str = ""


def slug(words: str, taken: Collection[str], fallback: str) -> str:
    """Return an id made of words that nothing else has.

    Args:
        words: in any script; accents are dropped (Unicode normalisation form KD).
        taken: ids that are in use.
        fallback: where nothing of the words can stand in an id.
    """
    plain = unicodedata.normalize("NFKD", words).encode("ascii", "ignore").decode().lower()
    stem = re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:48].strip("-") or fallback
    found, number = stem, 2
    while found in taken:
        found, number = f"{stem}-{number}", number + 1
    return found


def said(text: Text, words: str, language: str) -> Text:
    """Return a text with other words; those of other languages stay."""
    if set(text.by_language) <= {""}:
        return Text({"": words})
    return Text({**text.by_language, language: words})


def lacks(draft: Draft) -> Iterator[tuple[Lack, str]]:
    """Yield what is still needed, with the view that it is needed of."""
    if not draft.machine.views:
        yield Lack.VIEW, ""
    for view in draft.machine.views:
        if not view.master:
            yield Lack.PHOTO, view.id
        elif not view.parts:
            yield Lack.PART, view.id
        elif view.id in draft.to_check:
            yield Lack.CHECK, view.id
        elif any(is_unsaid(view, shot) for shot in view.shots):
            yield Lack.SAID, view.id


def is_unsaid(view: View, shot: Shot) -> bool:
    """True where nobody vouches for any part in a shot."""
    return bool(view.parts) and shot.unlabelled >= {part.id for part in view.parts}


# --- Outlines -----------------------------------------------------------------------------


def draw(
    draft: Draft, view_id: str, body: Outline | None, drawn: Sequence[Drawn], language: str
) -> Draft:
    """Return the draft with the outlines of a view as they are drawn now.

    Parts that are not among them are gone. A new part takes the words of the one that it was
    copied from; else it should be in place and may be missing, until somebody says more. In the
    shots that are there already nobody vouches for it yet.

    Raises:
        UsageError: there is no such view, or it is full.
    """
    view = draft.view(view_id)
    if len(drawn) > MOST_PARTS:
        raise UsageError(f"a view has at most {MOST_PARTS} parts")
    here = f"{view_id}/"
    gone = {n.removeprefix(here): p for n, p in draft.dropped.items() if n.startswith(here)}
    known = {**gone, **{part.id: part for part in view.parts}}
    parts: list[Part] = []
    shapes = {k: v for k, v in draft.shapes.items() if not k.startswith(here)}
    for one in drawn:
        taken = {*(part.id for part in view.parts), *(part.id for part in parts)}
        part = _part(known, one, taken, language)
        parts.append(part)
        if one.shape in ("rectangle", "ellipse"):
            shapes[here + part.id] = one.shape
    left = {part.id for part in parts}
    dropped = {**draft.dropped, **{here + p.id: p for p in view.parts if p.id not in left}}
    dropped = dict(list(dropped.items())[-MOST_PARTS:])
    fresh = left - {part.id for part in view.parts}
    shots = tuple(Shot(s.file, s.states, s.unlabelled | fresh) for s in view.shots)
    changed = replace(view, body=body, parts=tuple(parts), shots=shots)
    if draft.source is None:  # nobody knows its ids yet: they follow the titles
        changed = _renamed(changed, {p.id: p for p in view.parts}, language)
        shapes = {
            here + new.id: shapes[here + old.id]
            for old, new in zip(parts, changed.parts, strict=True)
            if here + old.id in shapes
        } | {k: v for k, v in shapes.items() if not k.startswith(here)}
    changed = _without_gone(changed)
    return replace(draft.with_view(changed), shapes=MappingProxyType(shapes), dropped=dropped)


def _part(known: Mapping[str, Part], drawn: Drawn, taken: Collection[str], language: str) -> Part:
    if drawn.id in known:
        part = replace(known[drawn.id], outline=drawn.outline)
        title = drawn.title.strip()
        if title and title != part.title.get(language):
            part = replace(part, title=said(part.title, title, language))
        return part
    title = drawn.title.strip() or f"{len(taken) + 1}"
    own = slug(title, taken, "part")
    pattern = known.get(drawn.like)
    if pattern is not None:
        faults = tuple(f for f in pattern.faults if f.with_part != own)
        alike = pattern.alike or pattern.id
        return replace(
            pattern,
            id=own, title=Text({"": title}), outline=drawn.outline, alike=alike, faults=faults,
        )  # fmt: skip
    return Part(own, Text({"": title}), drawn.outline, EXPECT, faults=(FIRST_FAULT,))


def _renamed(view: View, before: Mapping[str, Part], language: str) -> View:
    """Return a view in which parts that were called something else have another id too."""
    names = {part.id: part.id for part in view.parts}
    for part in view.parts:
        title = part.title.get(language)
        if part.id in before and before[part.id].title.get(language) != title:
            names[part.id] = slug(title, set(names.values()) - {part.id}, "part")

    def word(name: str | None) -> str | None:
        return None if name is None else names.get(name, name)

    def renamed(part: Part) -> Part:
        faults = tuple(replace(f, with_part=word(f.with_part)) for f in part.faults)
        return replace(part, id=names[part.id], alike=word(part.alike), faults=faults)

    shots = tuple(
        Shot(
            shot.file,
            MappingProxyType({names.get(p, p): state for p, state in shot.states.items()}),
            frozenset(names.get(p, p) for p in shot.unlabelled),
        )
        for shot in view.shots
    )
    return replace(view, parts=tuple(map(renamed, view.parts)), shots=shots)


def _without_gone(view: View) -> View:
    """Return a view in which nothing refers to parts or states that it no longer has."""
    ids = {part.id for part in view.parts}
    parts = []
    for part in view.parts:
        faults = tuple(f for f in part.faults if f.with_part is None or f.with_part in ids)
        parts.append(replace(part, faults=faults))
    words = {part.alike for part in parts}  # a copy bears the id of its pattern as the word
    parts = [replace(p, alike=p.id) if p.alike is None and p.id in words else p for p in parts]
    states = {part.id: {fault.state for fault in part.faults} for part in parts}
    shots = tuple(_fitting(shot, states) for shot in view.shots)
    return replace(view, parts=tuple(parts), shots=shots)


def _fitting(shot: Shot, states: Mapping[str, set[str]]) -> Shot:
    """Return a shot that says nothing of what is gone; a part whose state is gone is vouched
    for by nobody."""
    kept = {p: s for p, s in shot.states.items() if s in states.get(p, ())}
    lost = {p for p in shot.states if p in states and p not in kept}
    unlabelled = frozenset((shot.unlabelled & states.keys()) | lost)
    return Shot(shot.file, MappingProxyType(kept), unlabelled)


# --- Views, parts, shots ------------------------------------------------------------------


def add_view(draft: Draft, title: str, ask: str) -> tuple[Draft, str]:
    """Return the draft with one more view, and the view's id.

    Where the machine has a plan, the photo of the view becomes the last step of putting back.

    Raises:
        UsageError: it has no title, or there are too many.
    """
    if not title.strip():
        raise UsageError("a view needs a title")
    views = draft.machine.views
    if len(views) >= MOST_VIEWS:
        raise UsageError(f"a machine has at most {MOST_VIEWS} views")
    view_id = slug(title, {view.id for view in views}, "view")
    told = ask.strip() or title.strip()
    view = View(view_id, Text({"": title.strip()}), Text({"": told}), "", (0, 0), ())
    with_view = draft.with_view(view)
    return replace(with_view, machine=_with_step(with_view.machine, view)), view_id


def _with_step(machine: Machine, view: View) -> Machine:
    steps = machine.steps
    if not steps:
        return machine
    step_id = slug(view.id, {step.id for step in steps}, "photo")
    step = Step(step_id, Phase.PUT_BACK, StepKind.PHOTO, view.title, view=view.id)
    before = tuple(s for s in steps if s.phase is not Phase.START_UP)
    return replace(machine, steps=(*before, step, *steps[len(before) :]))


def drop_view(draft: Draft, view_id: str) -> Draft:
    """Return the draft without a view and the steps of the plan that ask for it."""
    views = tuple(view for view in draft.machine.views if view.id != view_id)
    gone = {step.id for step in draft.machine.steps if step.view == view_id}
    steps = tuple(
        replace(step, hidden_by=None) if step.hidden_by in gone else step
        for step in draft.machine.steps
        if step.id not in gone
    )
    shapes = {k: v for k, v in draft.shapes.items() if not k.startswith(f"{view_id}/")}
    machine = replace(draft.machine, views=views, steps=steps)
    to_check = draft.to_check - {view_id}
    return replace(draft, machine=machine, to_check=to_check, shapes=MappingProxyType(shapes))


def set_master(
    draft: Draft, view_id: str, file: str, size: tuple[int, int], *, laid: View | None
) -> Draft:
    """Return the draft with a photo as the master of a view.

    Args:
        draft: as it was.
        view_id: of the view.
        file, size: of the photo, width and height upright in pixels.
        laid: the view with outlines for this photo that nobody has looked at yet; None: there
            are none, or they stay as they are.
    """
    view = replace(laid or draft.view(view_id), master=file, size=size)
    shots = tuple(shot for shot in view.shots if shot.file != file)
    shapes = draft.shapes
    to_check = draft.to_check
    if laid is not None:
        shapes = {k: v for k, v in shapes.items() if not k.startswith(f"{view_id}/")}
        to_check = to_check | {view_id}
    return replace(
        draft.with_view(replace(view, shots=shots)),
        to_check=to_check,
        shapes=MappingProxyType(dict(shapes)),
    )


def set_part(draft: Draft, view_id: str, part: Part) -> Draft:
    """Return the draft with other words for a part; shots that show what is gone follow.

    Raises:
        UsageError: there is no such view or part.
    """
    view = draft.view(view_id)
    if all(p.id != part.id for p in view.parts):
        raise UsageError(f"there is no part '{part.id}' in this view")
    parts = tuple(part if p.id == part.id else p for p in view.parts)
    return draft.with_view(_without_gone(replace(view, parts=parts)))


def add_shot(draft: Draft, view_id: str, file: str) -> Draft:
    """Return the draft with one more shot, unless it has it; what it shows is said later.

    Raises:
        UsageError: the view has too many, or the picture is its master.
    """
    view = draft.view(view_id)
    if file == view.master:
        raise UsageError("this photo is the one that is drawn on")
    if any(shot.file == file for shot in view.shots):
        return draft
    if len(view.shots) >= MOST_SHOTS:
        raise UsageError(f"a view has at most {MOST_SHOTS} shots")
    shot = Shot(file, unlabelled=frozenset(part.id for part in view.parts))
    return draft.with_view(replace(view, shots=(*view.shots, shot)))


def set_shot(
    draft: Draft, view_id: str, file: str, states: Mapping[str, str], unlabelled: Collection[str]
) -> Draft:
    """Return the draft with what a shot shows: wrong parts with their states, and parts that
    nobody vouches for; all others are right.

    Raises:
        UsageError: there is no such shot.
    """
    view = draft.view(view_id)
    _shot_of(view, file)
    new = Shot(file, MappingProxyType(dict(states)), frozenset(unlabelled) - states.keys())
    shots = tuple(new if shot.file == file else shot for shot in view.shots)
    return draft.with_view(_without_gone(replace(view, shots=shots)))


def drop_shot(draft: Draft, view_id: str, file: str) -> Draft:
    """Return the draft without a shot.

    Raises:
        UsageError: there is no such shot.
    """
    view = draft.view(view_id)
    _shot_of(view, file)
    shots = tuple(shot for shot in view.shots if shot.file != file)
    return draft.with_view(replace(view, shots=shots))


def _shot_of(view: View, file: str) -> Shot:
    found = next((shot for shot in view.shots if shot.file == file), None)
    if found is None:
        raise UsageError("there is no such shot in this view")
    return found
