"""How often may somebody ask who is not known yet? By address, for all that lies beside /fhir.

Signing in and asking for tokens is where passphrases and keys are guessed; what is known of the
caller later has a limit of its own (`fhir_app.py`).
"""

from __future__ import annotations

from starlette.types import ASGIApp, Receive, Scope, Send

from service.access.limits import Limits, name_at
from service.errors import Throttled, outcome_of
from service.rest.call import FHIR_JSON
from service.rest.fhir_app import client_address
from service.standard.codec import encode

_BY_CALLER = ("/intake/sessions", "/health/")
"""The intake counts by caller; probes are asked by what starts the service again."""
_GUESSING = 5
"""What a request counts as that may be a guess: it is a POST."""


class ByAddress:
    """An application that answers each address so often."""

    def __init__(self, app: ASGIApp, limits: Limits) -> None:
        self._app = app
        self._limits = limits

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request, or tell when to come again."""
        if scope["path"].startswith(_BY_CALLER):
            await self._app(scope, receive, send)
            return
        cost = _GUESSING if scope["method"] == "POST" else 1
        try:
            account = self._limits.enter(name_at(client_address(scope)), cost)
        except Throttled as error:
            await _refuse(error, scope, send)
            return
        try:
            await self._app(scope, receive, send)
        finally:
            self._limits.leave(account)


async def _refuse(error: Throttled, scope: Scope, send: Send) -> None:
    """OAuth clients read JSON of OAuth (RFC 6749, section 5.2); all others an OperationOutcome."""
    oauth = scope["path"].startswith("/access/")
    told = {"error": "temporarily_unavailable", "error_description": str(error)}
    body = encode(told if oauth else outcome_of(error))
    headers = [
        (b"content-type", (b"application/json" if oauth else FHIR_JSON.encode())),
        (b"content-length", str(len(body)).encode()),
        *((name.lower().encode(), value.encode()) for name, value in error.headers.items()),
    ]
    await send({"type": "http.response.start", "status": error.status, "headers": headers})
    await send({"type": "http.response.body", "body": b"" if scope["method"] == "HEAD" else body})
