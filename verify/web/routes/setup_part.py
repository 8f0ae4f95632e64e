"""One part of a machine that is being set up: what it should be, what it can be caught as."""

from __future__ import annotations

from http import HTTPStatus
from typing import Annotated

from fastapi import APIRouter, Form
from fastapi.responses import Response

from verify.domain import How, Part, Symmetry, View
from verify.store import draft_edits
from verify.store.drafts import Draft
from verify.web.language import later
from verify.web.pages import render
from verify.web.setup_build import Working
from verify.web.setup_part import OWN, PartSaid, part_page, problem_of, with_words
from verify.web.visit import CHECKED, not_there

router = APIRouter()

Word = Annotated[str, Form(max_length=200)]
States = Annotated[list[str] | None, Form(max_length=64)]
_PROBLEMS = (
    later("Say what it should be."),
    later("What it should be cannot be a fault too."),
    later("Say the fault in other words."),
)


@router.get("/set-up/{draft_id}/view/{view_id}/part/{part_id}")
def show(on: Working, view_id: str, part_id: str) -> Response:
    """Show the words of a part."""
    view = on.view(view_id)
    return render(on.visit, "part.html", part_page(on, view, part_of(view, part_id)))


@router.post("/set-up/{draft_id}/view/{view_id}/part/{part_id}", dependencies=[CHECKED])
def say(
    on: Working,
    view_id: str,
    part_id: str,
    title: Word = "",
    expect: Word = "",
    own_expect: Word = "",
    severity: Word = "stop",
    fault: States = None,
    fix_of: States = None,
    fix: Annotated[list[str] | None, Form(max_length=64)] = None,
    mixed_with: States = None,
    own_fault: Word = "",
    own_how: Annotated[How, Form()] = How.OTHER,
    symmetry: Annotated[list[Symmetry] | None, Form()] = None,
    alike: Word = "",
) -> Response:
    """Keep the words of a part, and go on to the next part."""
    view = on.view(view_id)
    part = part_of(view, part_id)
    form = PartSaid(
        title=title,
        expect=OWN if own_expect.strip() else expect,
        own_expect=own_expect,
        stop=severity != "caution",
        faults=fault or (),
        mixed_with=mixed_with or (),
        own_fault=own_fault,
        own_how=own_how,
        fixes=dict(zip(fix_of or (), (f[:300] for f in fix or ()), strict=False)),
        symmetry=symmetry or (),
        alike=alike,
    )
    if told := problem_of(form):
        page = part_page(on, view, part, on.visit.say(told))
        return render(on.visit, "part.html", page, HTTPStatus.BAD_REQUEST)
    code = on.visit.language.code

    def change(draft: Draft) -> Draft:
        now = draft.view(view_id)
        return draft_edits.set_part(
            draft, view_id, with_words(now, part_of(now, part_id), form, code)
        )

    on.change(change)
    ids = [p.id for p in view.parts]
    following = ids[ids.index(part_id) + 1 :]
    url = on.view_url(view_id)
    return on.visit.done(f"{url}/part/{following[0]}" if following else url)


@router.post("/set-up/{draft_id}/view/{view_id}/part/{part_id}/drop", dependencies=[CHECKED])
def take_out(on: Working, view_id: str, part_id: str) -> Response:
    """Take a part out of a view."""
    part_of(on.view(view_id), part_id)

    def change(draft: Draft) -> Draft:
        now = draft.view(view_id)
        kept = [
            draft_edits.Drawn(p.id, "", p.outline, draft.shapes.get(f"{view_id}/{p.id}", "polygon"))
            for p in now.parts
            if p.id != part_id
        ]
        return draft_edits.draw(draft, view_id, now.body, kept, on.visit.language.code)

    on.change(change)
    return on.visit.done(on.view_url(view_id))


def part_of(view: View, part_id: str) -> Part:
    """Return a part of a view.

    Raises:
        WebError: there is none of that id.
    """
    found = next((part for part in view.parts if part.id == part_id), None)
    if found is None:
        raise not_there()
    return found
