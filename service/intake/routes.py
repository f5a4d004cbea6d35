"""POST /intake/sessions: what is asked for, and in which form is it answered?

Plain JSON, or an OperationOutcome for who asks for application/fhir+json. The only file of the
intake that knows the web framework.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime
from functools import partial
from typing import Any

import anyio.to_thread
from fastapi import APIRouter, Request, Response
from starlette.requests import ClientDisconnect

from service.access.gate import Gate, admitted
from service.access.limits import Limits, name_at, name_of
from service.access.recording import Recording
from service.caller import Caller
from service.errors import (
    HyoidError,
    Invalid,
    Malformed,
    NotAuthenticated,
    TooLarge,
    UnsupportedMediaType,
    fault,
    outcome_of,
)
from service.intake import answers, description
from service.intake.csv_cells import Layout
from service.intake.csv_sessions import read_table
from service.intake.drafts import Reading
from service.intake.moments import MomentError, date_form
from service.intake.posting import Intake, clinic_from, clinic_of, notes_in, read_notes
from service.rest.call import FHIR_JSON, Service
from service.rest.fhir_app import client_address
from service.rest.negotiation import require_plain_body, require_utf8
from service.rest.recorded import access_of, trail_of
from service.standard.codec import encode
from service.standard.grants import require
from service.store.audit.access import told
from service.store.audit.trail import Trail, on_trail
from service.store.store import Store

_JSON = ("application/json", FHIR_JSON, "text/json")
_WEIGHT = 5
"""What a delivery counts as beside ordinary requests, like a transaction."""
_OPTIONS = frozenset(
    {
        "strict",
        "atomic",
        "identifiers",
        "timeZone",
        "localCodes",
        "dateFormat",
        "decimalComma",
        "delimiter",
    }
)


def intake_routes(service: Service, gate: Gate, limits: Limits, recording: Recording) -> APIRouter:
    """The routes of the intake."""
    router = APIRouter(prefix="/intake", tags=["intake"])

    @router.post("/sessions", **description.post_sessions())
    async def post_sessions(request: Request) -> Response:
        trail = trail_of(request.scope, client_address(request.scope))
        trail.interaction, trail.signed = "intake", service.settings.access != "open"
        with on_trail(trail):
            answer = await _answered(service, gate, limits, request, trail)
            return _recorded(recording, trail, answer, request)

    @router.get("/sessions/schema.json", summary="JSON Schema of session notes")
    async def schema() -> Response:
        return Response(description.schema(), media_type="application/schema+json")

    @router.get("/sessions/template.csv", summary="A table with every column")
    async def template() -> Response:
        headers = {"Content-Disposition": 'attachment; filename="sessions.csv"'}
        return Response(description.template(), media_type="text/csv", headers=headers)

    @router.get("/sessions/columns.json", summary="What the columns mean")
    async def columns() -> Response:
        return Response(description.columns(), media_type="application/json")

    return router


def _recorded(recording: Recording, trail: Trail, answer: Response, request: Request) -> Response:
    """The answer when it is on record; a delivery that wrote something is already."""
    try:
        access = access_of(trail, answer.status_code)
        if access is not None:
            recording.record(access)
    except HyoidError as error:
        return _refused(error, _wants_fhir(request))
    return answer


def _wants_fhir(request: Request) -> bool:
    return FHIR_JSON in request.headers.get("accept", "").lower()


async def _answered(
    service: Service, gate: Gate, limits: Limits, request: Request, trail: Trail
) -> Response:
    fhir = _wants_fhir(request)
    address = client_address(request.scope)
    try:
        try:
            caller = await admitted(gate, "intake", request.headers)
        except NotAuthenticated:
            limits.charge(name_at(address))
            raise
        trail.caller = caller
        with limits.turn(name_of(caller, address), _WEIGHT):
            require(caller, "c", "Encounter")
            require_plain_body(request.headers.get("content-encoding"))
            body = await _body(request, service.settings.max_body)
            trail.base = _base(service, request)
            found = await anyio.to_thread.run_sync(
                partial(_taken, service, caller, request, body, trail.base)
            )
    except HyoidError as error:
        trail.told = told(error.issues)
        return _refused(error, fhir)
    except Exception as error:
        return _refused(fault(error), fhir)
    content = answers.as_outcome(found) if fhir else answers.as_json(found)
    return _response(answers.status_of(found), content, fhir)


def _base(service: Service, request: Request) -> str:
    return service.settings.base_url or f"{request.url.scheme}://{request.url.netloc}/fhir"


def _taken(
    service: Service, caller: Caller, request: Request, body: bytes, base: str
) -> list[answers.SessionAnswer]:
    options = _options(request)
    settings = service.settings
    said = {
        name: options[name] for name in ("identifiers", "timeZone", "localCodes") if name in options
    }
    clinic = clinic_from(said, clinic_of(settings), ("http",))
    form = _date_form(options)
    table = "text/csv" in request.headers.get("content-type", "").lower()
    reading = Reading(
        clinic,
        datetime.now(UTC),
        _flag(options, "strict"),
        form,
        adds_up=table,
    )
    return take(
        service.store,
        caller,
        base,
        body,
        request.headers.get("content-type", ""),
        reading,
        Layout(_delimiter(options), _flag(options, "decimalComma"), form),
        settings.max_body,
        atomic=_flag(options, "atomic"),
    )


def take(
    store: Store,
    caller: Caller,
    base: str,
    body: bytes,
    content_type: str,
    reading: Reading,
    layout: Layout,
    max_body: int,
    *,
    atomic: bool,
) -> list[answers.SessionAnswer]:
    """Store what a body holds, as JSON or as a table."""
    kind = content_type.partition(";")[0].strip().lower()
    intake = Intake(store, caller, base, atomic=atomic)
    if content_type:
        require_utf8(content_type)
    if kind == "text/csv":
        with read_table([body], reading, layout) as table:
            drafts = list(table)
        return intake.take(drafts)
    if kind not in _JSON:
        raise UnsupportedMediaType(
            f"The body is {kind[:60] or 'of no declared type'!r}; application/json and text/csv"
            " are taken",
            location="http.Content-Type",
        )
    clinic, notes = notes_in(body, reading.clinic, max_body)
    return intake.take(list(read_notes(notes, replace(reading, clinic=clinic))))


def _options(request: Request) -> dict[str, str]:
    found: dict[str, str] = {}
    for name, value in request.query_params.multi_items():
        if name in ("_format", "_pretty"):
            continue
        if name not in _OPTIONS:
            known = ", ".join(sorted(_OPTIONS))
            raise Invalid(
                f"There is no option {name[:40]!r}; there are {known}",
                code="not-supported",
                location=f"http.{name[:40]}",
            )
        found[name] = value
    return found


def _delimiter(options: Mapping[str, str]) -> str | None:
    marks = {"comma": ",", "semicolon": ";", "tab": "\t"}
    said = options.get("delimiter")
    if said is None:
        return None
    if said not in (*marks, *marks.values()):
        raise Invalid(
            "delimiter is comma, semicolon or tab", code="value", location="http.delimiter"
        )
    return marks.get(said, said)


def _date_form(options: Mapping[str, str]) -> str | None:
    said = options.get("dateFormat")
    try:
        return date_form(said) if said else None
    except MomentError as error:
        raise Invalid(str(error), code="value", location="http.dateFormat") from None


def _flag(options: Mapping[str, str], name: str) -> bool:
    value = options.get(name, "false")
    if value not in ("true", "false"):
        raise Malformed(f"{name} is true or false", code="value", location=f"http.{name}")
    return value == "true"


async def _body(request: Request, limit: int) -> bytes:
    chunks, size = [], 0
    try:
        async for chunk in request.stream():
            size += len(chunk)
            if size > limit:
                raise TooLarge(
                    f"The body is larger than {limit} bytes: send fewer sessions at a time, or"
                    " use `hyoid load`",
                    headers={"Connection": "close"},
                )
            chunks.append(chunk)
    except ClientDisconnect:
        raise Malformed("The connection closed before the body was complete") from None
    return b"".join(chunks)


def _refused(error: HyoidError, fhir: bool) -> Response:
    if fhir:
        content: Any = outcome_of(error)
    else:
        content = {
            "summary": {"stored": 0, "unchanged": 0, "corrected": 0, "refused": 0},
            "sessions": [],
            "issues": answers.plain(error.issues),
        }
    return _response(error.status, content, fhir, error.headers)


def _response(
    status: int, content: Any, fhir: bool, headers: Mapping[str, str] | None = None
) -> Response:
    common = {"X-Content-Type-Options": "nosniff", "Cache-Control": "private, no-cache"}
    return Response(
        encode(content),
        status,
        common | dict(headers or {}),
        FHIR_JSON if fhir else "application/json",
    )
