"""Who is wired to whom? One FastAPI application: /fhir, the probes, the OpenAPI pages."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

from fastapi import FastAPI, Response
from starlette.routing import BaseRoute, Match, NoMatchFound
from starlette.types import Receive, Scope, Send

from service import __version__
from service.access.gate import Gate, OpenGate, SmartGate
from service.errors import HyoidError
from service.rest.call import Service
from service.rest.fhir_app import FhirApp
from service.settings import Settings, settings_from
from service.store.engine import Database
from service.store.migrate import is_current
from service.store.secrets import shared_secret
from service.store.store import Store

_DESCRIPTION = (
    "FHIR R4 service for speech-language therapy. The FHIR interface lies at `/fhir`; "
    "[its CapabilityStatement](/fhir/metadata) says what it offers."
)


def create_app(settings: Settings) -> FastAPI:
    """The application on a database whose schema is current.

    Raises ValueError for a database URL that is none, RuntimeError for a schema that is not
    current.
    """
    database = Database(settings.database)
    if not is_current(database):
        raise RuntimeError("the database needs its tables brought up to date: run hyoid migrate")
    service = Service(Store(database), settings, shared_secret(database, "cursor"))
    gate: Gate = OpenGate() if settings.access == "open" else SmartGate()

    @asynccontextmanager
    async def lifespan(_app: FastAPI) -> AsyncIterator[None]:
        yield
        database.close()

    app = FastAPI(
        title="Hyoid",
        version=__version__,
        description=_DESCRIPTION,
        lifespan=lifespan,
        redoc_url=None,
    )
    app.router.routes.insert(0, FhirRoute(FhirApp(service, gate)))
    _add_probes(app, database)
    return app


def app_from_environment() -> FastAPI:
    """The application as the HYOID_* variables say; what each worker process calls."""
    return create_app(settings_from())


class FhirRoute(BaseRoute):
    """Hands everything at and below /fhir to the FHIR application, whatever the method."""

    def __init__(self, fhir: FhirApp) -> None:
        self.fhir = fhir

    def matches(self, scope: Scope) -> tuple[Match, Scope]:
        """Full for /fhir and what lies below it."""
        path: str = scope["path"]
        if scope["type"] == "http" and (path.startswith("/fhir/") or path == "/fhir"):
            return Match.FULL, {}
        return Match.NONE, {}

    async def handle(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let the FHIR application answer."""
        await self.fhir(scope, receive, send)

    def url_path_for(self, name: str, /, **path_params: Any) -> Any:
        """There is no named route here."""
        raise NoMatchFound(name, path_params)


def _add_probes(app: FastAPI, database: Database) -> None:
    @app.get("/health/live", tags=["health"], summary="Is the process alive?")
    async def live() -> dict[str, str]:
        return {"status": "live"}

    @app.get("/health/ready", tags=["health"], summary="Can it answer from its database?")
    def ready(response: Response) -> dict[str, str]:
        try:
            with database.reader() as connection:
                connection.row("SELECT seq FROM change_clock WHERE id = 1")
        except HyoidError:
            response.status_code = 503
            return {"status": "the database does not answer"}
        return {"status": "ready"}
