"""$summary: a client's patient summary, as a document Bundle. Reads only.

International Patient Summary 2.0, OperationDefinition summary: `Patient/[id]/$summary`, and
`Patient/$summary` with `identifier`.
"""

from __future__ import annotations

import time

from service import __version__
from service.errors import Invalid, NotFound, NotSupported
from service.handover.document import new_identifier
from service.handover.summary import summary
from service.rest.call import Answer, Call, Service
from service.rest.negotiation import COMMON
from service.rest.parameters import handed
from service.rest.routing import Interaction
from service.standard.meta import instant
from service.standard.search_query import parse_search
from service.store.connection import Connection
from service.store.searching import find

_PROFILES = "http://hl7.org/fhir/uv/ips/StructureDefinition/"
_OFFERED = frozenset({f"{_PROFILES}Bundle-uv-ips", f"{_PROFILES}Composition-uv-ips"})


def show_summary(service: Service, call: Call, asked: Interaction) -> Answer:
    """Patient/[id]/$summary, or Patient/$summary?identifier=…; `profile` may be the guide's."""
    known = {"profile"} | ({"identifier"} if asked.id is None else set())
    given: dict[str, str] = {}
    for name, value in handed(service, call):
        if name in COMMON:
            continue
        if name not in known:
            raise NotSupported(
                f"$summary takes {', '.join(sorted(known))} here, not {name[:40]!r}",
                location=f"http.{name[:40]}",
            )
        if name in given or not isinstance(value, str):
            raise Invalid(f"{name} is given once", code="value", location=f"http.{name}")
        given[name] = value
    _check_profile(given.get("profile"))
    date = instant(time.time_ns() // 1000)
    with call.reading(snapshot=True) as connection:
        patient = asked.id or _identified(connection, call, given.get("identifier", ""))
        found = summary(connection, call.caller, patient, call.base, date, __version__)
    return Answer(200, found.bundle(new_identifier(), date))


def _check_profile(profile: str | None) -> None:
    if profile is not None and profile.partition("|")[0] not in _OFFERED:
        raise NotSupported(
            f"A summary is made by {' or '.join(sorted(_OFFERED))}", location="http.profile"
        )


def _identified(connection: Connection, call: Call, identifier: str) -> str:
    """The id of the only client with the identifier that the caller may see."""
    if not identifier:
        raise Invalid(
            "$summary of no particular Patient needs an identifier",
            code="required",
            location="http.identifier",
        )
    criteria = [("identifier", identifier)]
    query = parse_search("Patient", criteria, strict=True, base=f"{call.base}/")
    found = find(connection, call.caller, query)
    if not found:
        raise NotFound("There is no client with this identifier", location="http.identifier")
    if len(found) > 1:
        raise Invalid(
            "More than one client has this identifier",
            code="multiple-matches",
            location="http.identifier",
            status=412,
        )
    return found[0].id
