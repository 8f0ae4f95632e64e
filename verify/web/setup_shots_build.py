"""From a draft to its pages of shots, and of what a try found out."""

from __future__ import annotations

from urllib.parse import quote

from verify.domain import View
from verify.store.draft_edits import is_unsaid
from verify.teach_report import ViewCheck
from verify.web import setup_words
from verify.web.setup_build import Bench, picture_url
from verify.web.setup_pages import AdvicePage, CheckedView, CheckLine, ShotCard, ShotsPage

RIGHT, NOBODY = "", "*"  # what a part is in a shot, beside its faults


def shots_page(on: Bench, view: View, opened: str = "", problem: str = "") -> ShotsPage:
    """Return the reference shots of a view."""
    language = on.visit.language
    url = on.view_url(view.id)
    nobody = (NOBODY, language.say("cannot be told here"))
    cards = []
    for number, shot in enumerate(view.shots):
        rows = []
        shown = []
        unsaid = is_unsaid(view, shot)
        for part in view.parts:
            title = part.title.get(language.code)
            expect = setup_words.expect_words(part.expect, language)
            right = language.say("right: %(state)s", state=expect)
            wrong = [
                (fault.state, setup_words.fault_words(fault, view, language))
                for fault in part.faults
            ]
            open_ = part.id in shot.unlabelled and not unsaid
            chosen = NOBODY if open_ else shot.states.get(part.id, RIGHT)
            choices = ((RIGHT, right), *wrong, nobody)
            rows.append((part.id, title, chosen, choices))
            if chosen not in (RIGHT, NOBODY):
                shown.append(f"{title}: {dict(choices)[chosen]}")
        cards.append(
            ShotCard(
                number=number,
                file=shot.file,
                picture=f"{url}/shot/{number}.jpg?f={quote(shot.file)}",
                shows="; ".join(shown),
                right=not shown,
                said=not unsaid,
                open_parts=len(shot.unlabelled),
                rows=tuple(rows),
            )
        )
    return ShotsPage(
        setup=on.url,
        url=url,
        machine=on.draft.machine.title.get(language.code),
        title=view.title.get(language.code),
        picture=picture_url(url, view),
        shots=tuple(cards),
        opened=opened,
        problem=problem,
    )


def advice_page(on: Bench) -> AdvicePage:
    """Return what the last try found out."""
    attempt = on.visit.desk.workshop.attempt(on.draft)
    report = attempt.report if attempt else None
    views = [_checked(on, check) for check in report.views] if report else []
    views.sort(key=lambda view: not view.wanting)  # what has to be done comes first
    return AdvicePage(
        setup=on.url,
        machine=on.draft.machine.title.get(on.visit.language.code),
        attempt=attempt,
        stale=attempt is not None and attempt.mark != on.draft.mark,
        views=tuple(views),
    )


def _checked(on: Bench, check: ViewCheck) -> CheckedView:
    language = on.visit.language
    view = next((v for v in on.draft.machine.views if v.id == check.view), None)
    if view is None:  # taken out since
        return CheckedView(check.view, on.url, (), ())
    url = on.view_url(view.id)
    lines = []
    for found in check.parts:
        part = next((p for p in view.parts if p.id == found.part), None)
        if part is None:
            continue
        states = tuple(
            (
                setup_words.state_words(part, state.state, view, language),
                state.shots,
                f"{state.told} / {state.tried}" if state.tried else "–",
            )
            for state in found.states
        )
        lines.append(
            CheckLine(
                title=part.title.get(language.code),
                url=f"{url}/part/{part.id}",
                states=states,
                apart=found.told_apart,
                advice=setup_words.advice(found, part, view, language),
            )
        )
    title = view.title.get(language.code)
    return CheckedView(title, f"{url}/shots", check.left_out, tuple(lines))
