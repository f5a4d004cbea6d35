"""The first page: what is this, and where does one go from here?"""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from service.access.browsers import Browsers
from service.pages.templates import page


def home_routes(browsers: Browsers | None = None) -> APIRouter:
    """The first page; with `browsers`, it tells who is signed in."""
    router = APIRouter(include_in_schema=False)

    @router.get("/", response_class=HTMLResponse)
    def home(request: Request) -> HTMLResponse:
        """Shows nothing of any client, so it is open to all."""
        found = browsers.signed_in(request.headers) if browsers else None
        name = (found.person.name or found.person.login) if found else ""
        return page("home.html", access=browsers is not None, signed_in=name)

    return router
