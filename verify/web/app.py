"""The application: everything that it needs is handed in, so that tests hand in their own."""

from __future__ import annotations

from importlib.resources import files

from anyio import CapacityLimiter
from fastapi import FastAPI
from fastapi.staticfiles import StaticFiles

from verify.store.drafts import Drafts
from verify.store.home import Home
from verify.web import errors
from verify.web.judging import Judges
from verify.web.routes import (
    board,
    crew,
    entrance,
    machines,
    manager,
    people,
    person,
    pictures,
    setup,
    setup_part,
    setup_pictures,
    setup_shots,
    setup_view,
    spares,
    supervisor,
    trends,
)
from verify.web.security import BodyLimit, Faults, Limiter, SecurityHeaders, Sessions
from verify.web.settings import WebSettings
from verify.web.teaching import Trials
from verify.web.visit import Desk
from verify.web.workshop import Tools, Workshop, tools_by_pictures

_ROUTES = (
    entrance,
    crew,
    supervisor,
    manager,
    trends,
    people,
    person,
    board,
    pictures,
    machines,
    spares,
    setup_pictures,  # before the pages: an address that ends in .jpg is a picture
    setup,
    setup_view,
    setup_part,
    setup_shots,
)


def create_app(
    home: Home, settings: WebSettings, judges: Judges, tools: Tools | None = None
) -> FastAPI:
    """Return the application for an open installation.

    Args:
        home: is not closed by the application.
        settings: typed, from the edge.
        judges: judge the photos.
        tools: look at pictures of machines that are being set up; None: those in earnest.
    """
    app = FastAPI(title="verify", docs_url=None, redoc_url=None, openapi_url=None)
    drafts = Drafts(settings.place / "drafts", home.sites.clock)
    sessions = Sessions(settings.session_key, settings.session)
    app.state.desk = Desk(
        home=home,
        settings=settings,
        judges=judges,
        sessions=sessions,
        trials=Trials(judges.teach),
        workshop=Workshop(
            drafts, settings.place / "machines", tools or tools_by_pictures(settings.cache)
        ),
        photo_places=CapacityLimiter(settings.workers),
        limiter=Limiter(settings.tries, settings.tries_within),
    )
    errors.install(app)
    for module in _ROUTES:
        app.include_router(module.router)
    static = files("verify.web").joinpath("static")
    app.mount("/static", StaticFiles(directory=str(static)), name="static")
    limits = {"form_bytes": settings.form_bytes, "photo_bytes": settings.photo_bytes}
    app.add_middleware(BodyLimit, **limits, sessions=sessions)
    app.add_middleware(Faults, handle=errors.handle)
    app.add_middleware(SecurityHeaders)
    return app
