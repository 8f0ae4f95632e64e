"""The wear kit of a machine: what is fitted since when, the spares, what is due."""

from __future__ import annotations

from dataclasses import dataclass
from http import HTTPStatus
from typing import Annotated

from fastapi import APIRouter, Form
from fastapi.responses import Response

from verify.errors import UsageError
from verify.rebuild.wear import Fitted
from verify.store.sites import KnownMachine
from verify.web.errors import reason as told_reason
from verify.web.pages import render
from verify.web.visit import CHECKED, Known, Visit, not_there

router = APIRouter()

Number = Annotated[int, Form(ge=0, le=999)]
Fitting = Annotated[int, Form(ge=1, le=99)]
Reason = Annotated[str, Form(max_length=300)]
AHEAD_DAYS = 14


@dataclass(frozen=True)
class SpareLine:
    """One kind of part.

    Attributes:
        needs: how many of it the machine has.
        fitted: when, and by whom; empty where nobody knows.
        why: why it was replaced then.
        due: by when it has to be replaced; empty where there is no interval.
        late, soon: it is due now, or within two weeks.
        known: the plan still names it, so that something may be written down.
    """

    id: str
    title: str
    needs: int
    stock: int
    short: bool
    fitted: str
    why: str
    due: str
    late: bool
    soon: bool
    known: bool


@dataclass(frozen=True)
class SparesPage:
    """The wear kit of one machine.

    Attributes:
        done: what was written down: ``counted``, ``fitted``, ``recount``, or empty.
        problem: what went wrong with the last try; empty otherwise.
    """

    machine: str
    title: str
    store: str
    number: str
    parts: tuple[SpareLine, ...]
    done: str
    problem: str


@router.get("/machine/{machine_id}/spares")
def spares(visit: Known, machine_id: str, done: str = "") -> Response:
    """Show the wear kit of a machine."""
    return _show(visit, visit.machine(machine_id), done=done)


@router.post("/machine/{machine_id}/spares/{item}/counted", dependencies=[CHECKED])
def counted(visit: Known, machine_id: str, item: str, stock: Number) -> Response:
    """Write down how many spares there are."""
    machine = _with(visit, machine_id, item)
    visit.home.wear.set_stock(machine.id, item, stock, by=visit.by)
    return visit.done(f"/machine/{machine.id}/spares?done=counted")


@router.post("/machine/{machine_id}/spares/{item}/fitted", dependencies=[CHECKED])
def fitted(
    visit: Known, machine_id: str, item: str, reason: Reason, count: Fitting = 1
) -> Response:
    """Write down that a part was replaced outside a rebuild."""
    machine = _with(visit, machine_id, item)
    try:
        lacked = visit.home.wear.fit(machine.id, item, reason, count=count, by=visit.by)
    except UsageError as error:
        told = told_reason(error, visit.language)
        return _show(visit, machine, problem=told, status=HTTPStatus.BAD_REQUEST)
    return visit.done(f"/machine/{machine.id}/spares?done={'recount' if lacked else 'fitted'}")


def _with(visit: Visit, machine_id: str, item: str) -> KnownMachine:
    """Return a machine of this person's stores whose plan names a part.

    Raises:
        WebError: there is no such machine or part, or it is none of this person's business.
    """
    machine = visit.machine(machine_id)
    named = {wear.id for wear in visit.home.wear.named(machine.id)}
    if item not in named:
        raise not_there()
    return machine


def _show(
    visit: Visit, machine: KnownMachine, *, done: str = "", problem: str = "", status: int = 200
) -> Response:
    kit = visit.home.wear.kit(machine.id)
    named = {wear.id for wear in visit.home.wear.named(machine.id)}
    page = SparesPage(
        machine=machine.id,
        title=machine.title,
        store=visit.home.sites.store(machine.store).name,
        number=machine.number or "",
        parts=tuple(_line(visit, machine, part, part.item.id in named) for part in kit),
        done=done,
        problem=problem,
    )
    return render(visit, "spares.html", page, status)


def _line(visit: Visit, machine: KnownMachine, part: Fitted, known: bool) -> SpareLine:
    today, language = visit.home.wear.today(machine.id), visit.language
    names = {p.id: p.name for p in visit.home.people.everybody()}
    when = ""
    if part.fitted_on is not None:
        by = names.get(part.fitted_by or "", part.fitted_by or "")
        when = f"{language.day(part.fitted_on)}, {by}" if by else language.day(part.fitted_on)
    return SpareLine(
        id=part.item.id,
        title=part.item.title.get(language.code),
        needs=part.item.count,
        stock=part.stock,
        short=part.short,
        fitted=when,
        why=part.reason,
        due=language.day(part.due_on) if part.due_on else "",
        late=part.is_due(today),
        soon=part.is_due(today, AHEAD_DAYS),
        known=known,
    )
