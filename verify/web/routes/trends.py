"""What goes wrong where: for managers and supervisors, of their stores."""

from __future__ import annotations

from http import HTTPStatus

from fastapi import APIRouter
from fastapi.responses import Response

from verify.rebuild.people import Role
from verify.web.errors import WebError
from verify.web.language import later
from verify.web.pages import render
from verify.web.trends_pages import SPANS, trends_page
from verify.web.visit import Known, not_there

router = APIRouter()

ANSWERABLE = (Role.MANAGER, Role.SUPERVISOR, Role.TECHNICIAN)


@router.get("/trends")
def trends(visit: Known, weeks: int = 12, store: str = "") -> Response:
    """Show trends of all stores of this person, or of one."""
    sites = visit.stores(*ANSWERABLE)
    if not sites:
        text = later("Your part in this store does not allow that.")
        raise WebError(HTTPStatus.FORBIDDEN, "role", text)
    if store:
        visit.require(store, ANSWERABLE)
        sites = [site for site in sites if site.id == store]
    if weeks not in SPANS:
        raise not_there()
    return render(visit, "trends.html", trends_page(visit, sites, weeks))
