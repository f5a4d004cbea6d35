"""What of a request goes on record? Method, address and who asked; no token, no secret.

Not on record are `metadata`, `.well-known/smart-configuration` and the probes of /health: they
tell of the service, not of anybody.
"""

from __future__ import annotations

import re
import time
from collections.abc import Mapping
from typing import Any

from starlette.types import Scope

from service.errors import HyoidError, Invalid
from service.rest.call import Call
from service.rest.routing import Interaction
from service.standard.codec import decode_resource
from service.standard.validation import check
from service.store.audit.access import Access
from service.store.audit.trail import Trail

LONGEST_QUERY = 2_000
LONGEST_PROVENANCE = 16_384
"""Bytes of the header X-Provenance."""

_PLACE = "http.X-Provenance"

_UNRECORDED = frozenset({"capabilities", "smart-configuration"})
_SECRETS = re.compile(
    r"\b(access_token|id_token|refresh_token|token|client_assertion|client_secret|password"
    r"|passphrase|code_verifier)=[^&\s]*",
    re.IGNORECASE,
)
_BEARER = re.compile(r"\bBearer(\s|\+|%20)+[^&\s]+", re.IGNORECASE)
_ID = re.compile(r"[A-Za-z0-9\-.]{1,64}")
_NUMBER = re.compile(r"[1-9][0-9]{0,8}")
_AS = {
    "conditional-update": "update",
    "conditional-patch": "patch",
    "conditional-delete": "delete",
    "search-compartment": "search-type",
    "export-status": "operation",
    "export-cancel": "operation",
    "export-file": "operation",
}
"""Interactions that R4 has no code of its own for."""


def trail_of(scope: Scope, address: str) -> Trail:
    """The trail of a request of which nothing is known yet but how it was sent."""
    raw: bytes = scope.get("raw_path") or scope["path"].encode()
    if b"?" in raw:
        raw = raw.partition(b"?")[0]
    query = scope["query_string"]
    text = f"{scope['method']} {raw[:LONGEST_QUERY].decode('ascii', 'replace')}"
    if query:
        text += f"?{query[:LONGEST_QUERY].decode('ascii', 'replace')}"
    request = ""
    for name, value in scope["headers"]:
        if name == b"x-request-id":
            request = value.decode("latin-1")
            break
    return Trail(query=cleaned(text), address=address, request=request)


def cleaned(text: str) -> str:
    """Without what gives access, and not longer than is kept."""
    if "=" in text:
        text = _SECRETS.sub(r"\1=", text)
    if "earer" in text:
        text = _BEARER.sub("Bearer", text)
    return text[:LONGEST_QUERY]


def note_asked(trail: Trail, asked: Interaction) -> None:
    """What it is about."""
    trail.interaction = _AS.get(asked.name, asked.name)
    if asked.type and asked.id and _ID.fullmatch(asked.id):
        trail.target = f"{asked.type}/{asked.id}"
        if asked.name == "vread" and _NUMBER.fullmatch(asked.detail or ""):
            trail.target += f"/_history/{asked.detail}"
        if asked.type == "Patient":
            trail.clients.add(asked.id)


def note_call(trail: Trail, call: Call, asked: Interaction, *, signed: bool) -> None:
    """What came with it: a posted form of a search, and a Provenance of what is written."""
    trail.base, trail.signed = call.base, signed
    if call.method == "POST" and asked.name.startswith("search") and call.body:
        form = call.body[:LONGEST_QUERY].decode("utf-8", "replace")
        trail.query = cleaned(f"{trail.query} {form}")
    if "x-provenance" in call.headers and call.method in ("POST", "PUT", "PATCH"):
        trail.provenance = _provenance(call.headers)


def access_of(trail: Trail, status: int) -> Access | None:
    """The record of a request that was answered; None where there is none, or is one already."""
    if trail.interaction in _UNRECORDED and status < 400:
        return None
    if trail.units and (trail.interaction != "batch" or not trail.rids):
        return None
    return trail.access(time.time_ns() // 1000, status)


def _provenance(headers: Mapping[str, str]) -> dict[str, Any]:
    """The Provenance of the header. Raises Invalid with `http.X-Provenance` as the place."""
    text = headers["x-provenance"]
    if len(text) > LONGEST_PROVENANCE:
        raise _refused(f"at most {LONGEST_PROVENANCE} bytes")
    try:
        found = decode_resource(text.encode("latin-1"), max_bytes=LONGEST_PROVENANCE)
        if found["resourceType"] != "Provenance":
            raise _refused("not a Provenance")
        if "target" in found or "id" in found or "meta" in found:
            raise _refused("target, id and meta are given by the service")
        start = {"recorded": "2000-01-01T00:00:00Z"} if "recorded" not in found else {}
        check({**found, **start, "target": [{"reference": "Patient/x"}]})
    except HyoidError as error:
        if error.issues[0].location == _PLACE:
            raise
        raise _refused("; ".join(issue.text for issue in error.issues)) from None
    return found


def _refused(text: str) -> Invalid:
    return Invalid(f"X-Provenance: {text}", code="value", location=_PLACE)
