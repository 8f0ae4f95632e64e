"""From a draft to what the pages for setting up show, and who may work on it."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated
from urllib.parse import quote

from fastapi import Depends

from verify.domain import Outline, View
from verify.errors import BrokenFileError, UsageError
from verify.rebuild.entries import from_rfc3339
from verify.rebuild.people import SETTING_UP
from verify.store.draft_edits import Lack, lacks
from verify.store.drafts import Draft
from verify.store.sites import KnownMachine
from verify.web import setup_words
from verify.web.setup_numbers import BODY, NEW, Numbers, all_numbers
from verify.web.setup_pages import (
    Choices,
    DraftLine,
    DrawPage,
    KnownLine,
    MachinesPage,
    PartLine,
    SetupPage,
    Shape,
    ViewCard,
)
from verify.web.visit import Known, Visit, not_there


@dataclass(frozen=True)
class Bench:
    """A draft and somebody who may work on it."""

    visit: Visit
    draft: Draft

    @property
    def url(self) -> str:
        """Where its pages begin."""
        return f"/set-up/{self.draft.id}"

    def view(self, view_id: str) -> View:
        """Return a view.

        Raises:
            WebError: there is none of that id.
        """
        try:
            return self.draft.view(view_id)
        except UsageError:
            raise not_there() from None

    def view_url(self, view_id: str) -> str:
        """Return the address of a view."""
        return f"{self.url}/view/{view_id}"

    def change(self, change: Callable[[Draft], Draft]) -> Draft:
        """Change the draft and keep it."""
        return self.visit.desk.workshop.drafts.change(self.draft.id, change, by=self.visit.by)

    @property
    def fixed(self) -> bool:
        """True where views may not come or go: a plan that people wrote names them."""
        return self.draft.changes and bool(self.draft.machine.steps)


def bench(visit: Known, draft_id: str) -> Bench:
    """Return a draft for somebody who may set up machines of its store.

    Raises:
        WebError: there is no such draft, or it is none of this person's business.
    """
    try:
        draft = visit.desk.workshop.drafts.get(draft_id)
    except UsageError:
        raise not_there() from None
    visit.require(draft.store, SETTING_UP)
    return Bench(visit, draft)


Working = Annotated[Bench, Depends(bench)]


# --- Machines -----------------------------------------------------------------------------


def machines_page(visit: Visit, used: str) -> MachinesPage:
    """Return all machines of the stores in which this person may set up machines."""
    sites = visit.require_stores(*SETTING_UP)
    stores = tuple((site.id, site.name) for site in sites)
    names = dict(stores)
    machines = [m for m in visit.home.sites.machines() if m.store in names]
    drafts = visit.desk.workshop.drafts.listed(list(names))
    return MachinesPage(
        machines=tuple(_known_line(visit, m, names[m.store], stores) for m in machines),
        drafts=tuple(_draft_line(visit, draft) for draft in drafts),
        stores=stores,
        used=next((m.title for m in machines if m.id == used), ""),
    )


def _known_line(visit: Visit, machine: KnownMachine, store: str, stores: Choices) -> KnownLine:
    try:
        views = visit.desk.judges.machine(machine.folder).views
    except BrokenFileError:
        views = ()
    return KnownLine(
        id=machine.id,
        title=machine.title,
        store=store,
        number=machine.number,
        picture=f"/machine/{machine.id}/view/{views[0].id}/master.jpg" if views else "",
        marker="" if machine.marker is None else str(machine.marker),
        views=len(views),
        parts=sum(len(view.parts) for view in views),
        stores=tuple(sorted(stores, key=lambda one: one[0] == machine.store)),
    )


def _draft_line(visit: Visit, draft: Draft) -> DraftLine:
    site = visit.home.sites.store(draft.store)
    names = {p.id: p.name for p in visit.home.people.everybody()}
    return DraftLine(
        id=draft.id,
        title=draft.machine.title.get(visit.language.code),
        store=site.name,
        when=visit.language.moment(from_rfc3339(draft.changed_at), site.zone),
        by=names.get(draft.by, draft.by),
        changes=draft.changes,
    )


# --- One machine --------------------------------------------------------------------------


def setup_page(on: Bench, problem: str = "") -> SetupPage:
    """Return how far the set-up of a machine is."""
    draft, language = on.draft, on.visit.language
    titles = {view.id: view.title.get(language.code) for view in draft.machine.views}
    attempt = on.visit.desk.workshop.attempt(draft)
    report = attempt.report if attempt else None
    return SetupPage(
        url=on.url,
        title=draft.machine.title.get(language.code),
        store=on.visit.home.sites.store(draft.store).name,
        number=draft.number,
        changes=draft.changes,
        copied_from=_source_title(on),
        views=tuple(view_card(on, view) for view in draft.machine.views),
        lacks=tuple(
            (
                language.say(setup_words.LACKS[lack]),
                titles.get(view, ""),
                _where(on, lack, view),
            )
            for lack, view in lacks(draft)
        ),
        attempt=attempt,
        stale=attempt is not None and attempt.mark != draft.mark,
        alike=len(report.not_told_apart) if report else 0,
        wanting=sum(p.wanted is not None for v in report.views for p in v.parts) if report else 0,
        fixed=on.fixed,
        problem=problem,
    )


def _where(on: Bench, lack: Lack, view: str) -> str:
    if not view:
        return f"{on.url}#add"
    return f"{on.view_url(view)}/shots" if lack is Lack.SAID else on.view_url(view)


def _source_title(on: Bench) -> str:
    if on.draft.source is None or on.draft.changes:
        return ""
    try:
        return on.visit.home.sites.machine(on.draft.source).title
    except UsageError:
        return on.draft.source


def view_card(on: Bench, view: View) -> ViewCard:
    """Return a view with its picture and outlines."""
    code = on.visit.language.code
    url = on.view_url(view.id)
    return ViewCard(
        id=view.id,
        title=view.title.get(code),
        ask=view.ask.get(code),
        url=url,
        picture=picture_url(url, view),
        size=view.size,
        shapes=tuple(_shapes(on, view)) if view.master else (),
        parts=len(view.parts),
        shots=len(view.shots),
        to_check=view.id in on.draft.to_check,
        unnamed=setup_words.unnamed(view, on.visit.language),
    )


def picture_url(url: str, view: View) -> str:
    """Return the address of a master; another photo has another one, for caches' sake."""
    return f"{url}/master.jpg?f={quote(view.master)}" if view.master else ""


def _shapes(on: Bench, view: View) -> list[Shape]:
    code = on.visit.language.code
    unsure = on.draft.unsure.get(view.id, ()) if view.id in on.draft.to_check else ()
    found = [Shape(_points(view.body), "body", "")] if view.body else []
    for part in view.parts:
        kind = "unsure" if part.id in unsure else "part"
        found.append(Shape(_points(part.outline), kind, part.title.get(code)))
    return found


def _points(outline: Outline) -> str:
    return " ".join(f"{x:g},{y:g}" for x, y in outline)


# --- One view -----------------------------------------------------------------------------


def draw_page(on: Bench, view: View, problem: str = "", typed: Numbers | None = None) -> DrawPage:
    """Return the page on which a view is drawn; ``typed``: numbers that are being changed."""
    language = on.visit.language
    url = on.view_url(view.id)
    unsure = on.draft.unsure.get(view.id, ())
    parts = tuple(
        PartLine(
            id=part.id,
            title=part.title.get(language.code),
            url=f"{url}/part/{part.id}",
            words=_part_words(on, view, part.id),
            unsure=part.id in unsure and view.id in on.draft.to_check,
        )
        for part in view.parts
    )
    targets = [(NEW, language.say("a new part")), (BODY, language.say("the body"))]
    ids = [v.id for v in on.draft.machine.views]
    following = ids[ids.index(view.id) + 1 :]
    return DrawPage(
        setup=on.url,
        url=url,
        machine=on.draft.machine.title.get(language.code),
        view=view_card(on, view),
        parts=parts,
        drawing=json.dumps(drawing(on.draft, view, language.code)),
        example=_example(on, view),
        numbers=all_numbers(on.draft, view, language.code),
        typed=typed or Numbers(NEW),
        typing=typed is not None,
        targets=(*targets, *((part.id, part.title) for part in parts)),
        next_url=on.view_url(following[0]) if following else on.url,
        fixed=on.fixed,
        problem=problem,
    )


def drawing(draft: Draft, view: View, code: str) -> dict[str, object]:
    """Return what the script draws with."""
    unsure = draft.unsure.get(view.id, ()) if view.id in draft.to_check else ()
    return {
        "size": view.size,
        "mark": mark_of(view),
        "body": view.body,
        "parts": [
            {
                "id": part.id,
                "title": part.title.get(code),
                "outline": part.outline,
                "shape": draft.shapes.get(f"{view.id}/{part.id}", "polygon"),
                "unsure": part.id in unsure,
            }
            for part in view.parts
        ],
    }


def mark_of(view: View) -> str:
    """Return what changes with everything that the drawing page can change."""
    from verify.store.chain import sha256

    drawn = [view.master, view.body, [(p.id, dict(p.title.by_language), p.outline)
                                      for p in view.parts]]  # fmt: skip
    return sha256(json.dumps(drawn).encode())[:16]


def _part_words(on: Bench, view: View, part_id: str) -> str:
    language = on.visit.language
    part = view.part(part_id)
    wrong = [setup_words.fault_words(fault, view, language) for fault in part.faults]
    return " · ".join([setup_words.expect_words(part.expect, language), *wrong])


def _example(on: Bench, view: View) -> str:
    """Return the picture of the same view of the machine that is copied, if it may be seen."""
    if on.draft.source is None or view.master:
        return ""
    try:
        source = on.visit.home.sites.machine(on.draft.source)
        known = on.visit.desk.judges.machine(source.folder).views
    except (UsageError, BrokenFileError):
        return ""
    if not on.visit.is_any(source.store, *SETTING_UP) or all(v.id != view.id for v in known):
        return ""
    return f"/machine/{source.id}/view/{view.id}/master.jpg"
