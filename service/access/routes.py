"""Where do systems ask for tokens over HTTP? Forms and JSON of OAuth."""

from __future__ import annotations

import time
from collections.abc import Callable
from functools import partial
from typing import Any

import anyio.to_thread
from anyio import CapacityLimiter
from fastapi import APIRouter, Request, Response
from fastapi.responses import JSONResponse
from starlette.requests import ClientDisconnect

from service.access import description
from service.access.forms import MOST_BYTES, form_in
from service.access.recording import Recording
from service.access.refusals import InvalidRequest, OAuthError
from service.access.signing import SigningKeys
from service.access.systems import Systems
from service.errors import HyoidError, fault
from service.store.audit.trail import Trail, on_trail

_THREADS = 8
"""So many requests for tokens at once; a flood of them leaves threads for the rest."""
_UNKEPT = {
    "Cache-Control": "no-store",
    "Pragma": "no-cache",
    "X-Content-Type-Options": "nosniff",
}

Work = Callable[[dict[str, str], str], dict[str, Any] | None]


def access_routes(systems: Systems, keys: SigningKeys, recording: Recording) -> APIRouter:
    """The routes below `/access`."""
    router = APIRouter(prefix="/access", tags=["access"])
    limiter = CapacityLimiter(_THREADS)

    @router.post("/token", **description.token())
    async def token(request: Request) -> Response:
        return await _recorded(recording, "token", request, systems.token, limiter)

    @router.post("/introspect", **description.introspection())
    async def introspect(request: Request) -> Response:
        return await _recorded(recording, "introspect", request, systems.introspect, limiter)

    @router.post("/revoke", **description.revocation())
    async def revoke(request: Request) -> Response:
        return await _recorded(recording, "revoke", request, systems.revoke, limiter)

    @router.get("/jwks", **description.keys())
    def jwks() -> Response:
        try:
            found = keys.public(int(time.time()))
            return JSONResponse(found, headers={"Cache-Control": "public, max-age=60"})
        except HyoidError as error:
            return _unavailable(error)

    return router


async def _recorded(
    recording: Recording, interaction: str, request: Request, work: Work, limiter: CapacityLimiter
) -> Response:
    """The answer, when it is on record. The form is not: it holds assertions and tokens."""
    trail = Trail(
        interaction=interaction,
        query=f"{request.method} {request.url.path}",
        address=request.client.host if request.client else "",
        request=request.headers.get("x-request-id", ""),
    )
    with on_trail(trail):
        answer, trail.told = await _answered(request, work, limiter)
        try:
            recording.record(trail.access(time.time_ns() // 1000, answer.status_code))
        except HyoidError as error:
            return _unavailable(error)
    return answer


async def _answered(request: Request, work: Work, limiter: CapacityLimiter) -> tuple[Response, str]:
    """The answer, and why it is a refusal."""
    authorization = request.headers.get("authorization", "")
    try:
        form = form_in(await _body(request), request.headers.get("content-type", ""))
        found = await anyio.to_thread.run_sync(partial(work, form, authorization), limiter=limiter)
    except OAuthError as refusal:
        return _refused(refusal), refusal.description[:200]
    except HyoidError as error:
        return _unavailable(error), str(error)[:200]
    except Exception as error:
        told = str(fault(error))
        return _json({"error": "server_error", "error_description": told}, 500), told
    if found is None:
        return Response(status_code=200, headers=_UNKEPT), ""
    return _json(found, 200), ""


async def _body(request: Request) -> bytes:
    chunks, size = [], 0
    try:
        async for chunk in request.stream():
            size += len(chunk)
            if size > MOST_BYTES:
                raise InvalidRequest(f"The form is larger than {MOST_BYTES} bytes")
            chunks.append(chunk)
    except ClientDisconnect:
        raise InvalidRequest("The connection closed before the form was complete") from None
    return b"".join(chunks)


def _refused(refusal: OAuthError) -> Response:
    answer = _json(refusal.as_json(), refusal.status)
    if refusal.status == 401:
        answer.headers["WWW-Authenticate"] = f'Bearer error="{refusal.error}"'
    return answer


def _unavailable(error: HyoidError) -> Response:
    text = "The database does not answer; try again later"
    return _json({"error": "temporarily_unavailable", "error_description": text}, error.status)


def _json(content: dict[str, Any], status: int) -> Response:
    return JSONResponse(content, status, _UNKEPT)
