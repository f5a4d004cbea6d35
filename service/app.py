"""Who is wired to whom? One FastAPI application: /fhir, the probes, the OpenAPI pages."""

from __future__ import annotations

import gc
import threading
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

from fastapi import FastAPI, Request, Response
from starlette.exceptions import HTTPException
from starlette.types import Receive, Scope, Send

from service import __version__
from service.access.gate import Gate, OpenGate
from service.access.hosts import Names
from service.access.limits import Limits, allowance_of
from service.access.opening import opened_access
from service.access.recording import Recording, directory_of
from service.access.routes import access_routes
from service.errors import HyoidError, Issue, fault, outcome, outcome_of
from service.intake.routes import intake_routes
from service.pages.docs import router as docs
from service.pages.home import home_routes
from service.pages.sign_in import sign_in_routes
from service.rest.call import FHIR_JSON, Service
from service.rest.fhir_app import FhirApp, is_fhir
from service.rest.headers import Guarded, origins_in
from service.rest.progress import warm_up
from service.rest.turns import ByAddress
from service.settings import Settings, settings_from
from service.standard.codec import encode
from service.standard.profiles.library import shipped_profiles
from service.standard.terminology.shipped import shipped
from service.store.engine import Database
from service.store.migrate import is_current
from service.store.secrets import shared_secret
from service.store.store import Store

_TOLD = "hyoid.told"
"""Where in the ASGI scope it is kept that a fault was told."""

_DESCRIPTION = (
    "FHIR R4 service for speech-language therapy. The FHIR interface lies at `/fhir`; "
    "[its CapabilityStatement](/fhir/metadata) says what it offers."
)


_REFUSALS = {
    404: ("not-found", "There is no such address"),
    405: ("not-supported", "This address does not take that method"),
}


class Hyoid(FastAPI):
    """FastAPI for everything but /fhir, which the FHIR application answers by itself."""

    def __init__(self, fhir: FhirApp, limits: Limits, settings: Settings, **options: Any) -> None:
        super().__init__(**options)
        self.fhir = fhir
        self._names = Names(settings)
        self._beside = ByAddress(super().__call__, limits)
        self._guarded = Guarded(self._answer, origins_in(settings.cors_origins))

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request, or take part in start and end of the process."""
        if scope["type"] == "http":
            await self._guarded(scope, receive, send)
        else:
            await super().__call__(scope, receive, send)

    async def _answer(self, scope: Scope, receive: Receive, send: Send) -> None:
        try:
            self._names.require(scope["headers"])
        except HyoidError as error:
            refused = Response(encode(outcome_of(error)), error.status, media_type=FHIR_JSON)
            await refused(scope, receive, send)
            return
        if is_fhir(scope["path"]):
            await self.fhir(scope, receive, send)
            return
        try:
            await self._beside(scope, receive, send)
        except Exception:
            # The framework raises it once more when `_fail` has told and logged it.
            if not scope.get(_TOLD):
                raise


def create_app(settings: Settings) -> FastAPI:
    """The application on a database whose schema is current.

    Raises ValueError for a setting that cannot be or a file in mappings/ that cannot be read,
    RuntimeError for a schema that is not current.
    """
    database = Database(settings.database)
    if not is_current(database):
        raise RuntimeError("the database needs its tables brought up to date: run hyoid migrate")
    # A file in mappings/ that cannot be read is told now, not to the first who needs it.
    shipped()
    shipped_profiles()
    service = Service(Store(database), settings, shared_secret(database, "cursor"))
    recording = Recording(database, directory_of(settings))
    access = None if settings.access == "open" else opened_access(database, settings, recording)
    gate: Gate = access.gate if access else OpenGate()
    limits = Limits(allowance_of(settings))

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
        recording.start()
        yield
        warming.cancel()
        recording.stop()
        database.close()

    app = Hyoid(
        FhirApp(service, gate, recording, limits),
        limits,
        settings,
        title="Hyoid",
        version=__version__,
        description=_DESCRIPTION,
        lifespan=lifespan,
        docs_url=None,
        redoc_url=None,
    )
    app.include_router(home_routes(access.sign_in.browsers if access else None))
    app.include_router(docs)
    app.include_router(intake_routes(service, gate, limits, recording))
    if access:
        app.include_router(access_routes(access.systems, access.keys, recording))
        app.include_router(sign_in_routes(access.sign_in))
    app.add_exception_handler(HTTPException, _refuse)
    app.add_exception_handler(Exception, _fail)
    _add_probes(app, database)
    return app


def app_from_environment() -> FastAPI:
    """The application as the HYOID_* variables say; what each worker process calls."""
    return create_app(settings_from())


async def _refuse(_request: Request, error: Exception) -> Response:
    """What the framework itself refuses outside of /fhir has the shape of every other refusal."""
    assert isinstance(error, HTTPException)
    code, text = _REFUSALS.get(error.status_code, ("processing", str(error.detail)))
    return Response(
        encode(outcome([Issue("error", code, text)])),
        error.status_code,
        dict(error.headers or {}),
        media_type=FHIR_JSON,
    )


async def _fail(request: Request, error: Exception) -> Response:
    """A fault outside of /fhir, told as one within: by a number."""
    request.scope[_TOLD] = True
    return Response(encode(outcome_of(fault(error))), 500, media_type=FHIR_JSON)


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
