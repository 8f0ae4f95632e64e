"""What goes wrong where: for managers, supervisors and technicians, of their stores."""

from __future__ import annotations

from fastapi import APIRouter
from fastapi.responses import Response

from verify.rebuild.people import SETTING_UP
from verify.web.pages import render
from verify.web.trends_pages import SPANS, trends_page
from verify.web.visit import Known, not_there

router = APIRouter()


@router.get("/trends")
def trends(visit: Known, weeks: int = 12, store: str = "") -> Response:
    """Show trends of all stores of this person, or of one."""
    sites = visit.require_stores(*SETTING_UP)
    if store:
        visit.require(store, SETTING_UP)
        sites = [site for site in sites if site.id == store]
    if weeks not in SPANS:
        raise not_there()
    return render(visit, "trends.html", trends_page(visit, sites, weeks))
