"""Where do systems ask for tokens over HTTP? Forms and JSON of OAuth."""

from __future__ import annotations

import logging
import secrets
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
from service.access.refusals import InvalidRequest, OAuthError
from service.access.signing import SigningKeys
from service.access.systems import Systems
from service.errors import HyoidError

log = logging.getLogger("hyoid")

_THREADS = 8
"""So many requests for tokens at once; a flood of them leaves threads for the rest."""
_UNKEPT = {
    "Cache-Control": "no-store",
    "Pragma": "no-cache",
    "X-Content-Type-Options": "nosniff",
}

Work = Callable[[dict[str, str], str], dict[str, Any] | None]


def access_routes(systems: Systems, keys: SigningKeys) -> APIRouter:
    """The routes below `/access`."""
    router = APIRouter(prefix="/access", tags=["access"])
    limiter = CapacityLimiter(_THREADS)

    @router.post("/token", **description.token())
    async def token(request: Request) -> Response:
        return await _answered(request, lambda form, _: systems.token(form), limiter)

    @router.post("/introspect", **description.introspection())
    async def introspect(request: Request) -> Response:
        return await _answered(request, systems.introspect, limiter)

    @router.post("/revoke", **description.revocation())
    async def revoke(request: Request) -> Response:
        return await _answered(request, systems.revoke, limiter)

    @router.get("/jwks", **description.keys())
    def jwks() -> Response:
        try:
            return JSONResponse(keys.public(), headers={"Cache-Control": "public, max-age=60"})
        except HyoidError as error:
            return _unavailable(error)

    return router


async def _answered(request: Request, work: Work, limiter: CapacityLimiter) -> Response:
    authorization = request.headers.get("authorization", "")
    try:
        form = form_in(await _body(request), request.headers.get("content-type", ""))
        found = await anyio.to_thread.run_sync(partial(work, form, authorization), limiter=limiter)
    except OAuthError as refusal:
        return _refused(refusal)
    except HyoidError as error:
        return _unavailable(error)
    except Exception:
        reference = secrets.token_hex(8)
        log.exception("Fault %s", reference)
        told = f"The service failed. Tell its keeper this number: {reference}"
        return _json({"error": "server_error", "error_description": told}, 500)
    return _json(found, 200) if found is not None else Response(status_code=200, headers=_UNKEPT)


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
