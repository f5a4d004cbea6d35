"""Who is wired to whom? One FastAPI application: /fhir, the probes, the OpenAPI pages."""

from __future__ import annotations

import gc
import threading
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

from fastapi import FastAPI, Response
from starlette.types import Receive, Scope, Send

from service import __version__
from service.access.gate import Gate, OpenGate, SmartGate
from service.errors import HyoidError
from service.intake.routes import intake_routes
from service.pages.home import router as home
from service.rest.call import Service
from service.rest.fhir_app import FhirApp, is_fhir
from service.rest.progress import warm_up
from service.settings import Settings, settings_from
from service.standard.profiles.library import shipped_profiles
from service.standard.terminology.shipped import shipped
from service.store.engine import Database
from service.store.migrate import is_current
from service.store.secrets import shared_secret
from service.store.store import Store

_DESCRIPTION = (
    "FHIR R4 service for speech-language therapy. The FHIR interface lies at `/fhir`; "
    "[its CapabilityStatement](/fhir/metadata) says what it offers."
)


class Hyoid(FastAPI):
    """FastAPI for everything but /fhir, which the FHIR application answers by itself."""

    def __init__(self, fhir: FhirApp, **options: Any) -> None:
        super().__init__(**options)
        self.fhir = fhir

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request, or take part in start and end of the process."""
        if scope["type"] == "http" and is_fhir(scope["path"]):
            await self.fhir(scope, receive, send)
        else:
            await super().__call__(scope, receive, send)


def create_app(settings: Settings) -> FastAPI:
    """The application on a database whose schema is current.

    Raises ValueError for a database URL that is none or a file in mappings/ that cannot be read,
    RuntimeError for a schema that is not current.
    """
    database = Database(settings.database)
    if not is_current(database):
        raise RuntimeError("the database needs its tables brought up to date: run hyoid migrate")
    # A file in mappings/ that cannot be read is told now, not to the first who needs it.
    shipped()
    shipped_profiles()
    service = Service(Store(database), settings, shared_secret(database, "cursor"))
    gate: Gate = OpenGate(settings.base_url) if settings.access == "open" else SmartGate()

    @asynccontextmanager
    async def lifespan(_app: FastAPI) -> AsyncIterator[None]:
        # The tables and models live as long as the process: no need to look at them again and
        # again in search of garbage.
        gc.collect()
        gc.freeze()
        # SciPy takes half a second to load: not at the start, and not in the first $progress.
        warming = threading.Timer(1, warm_up)
        warming.daemon = True
        warming.start()
        yield
        warming.cancel()
        database.close()

    app = Hyoid(
        FhirApp(service, gate),
        title="Hyoid",
        version=__version__,
        description=_DESCRIPTION,
        lifespan=lifespan,
        redoc_url=None,
    )
    app.include_router(home)
    app.include_router(intake_routes(service, gate))
    _add_probes(app, database)
    return app


def app_from_environment() -> FastAPI:
    """The application as the HYOID_* variables say; what each worker process calls."""
    return create_app(settings_from())


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
