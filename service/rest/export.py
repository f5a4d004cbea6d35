"""$export: kick-off, status, files, and the end of an export. Bulk Data Access 3.0.0.

http://hl7.org/fhir/uv/bulkdata/export.html. An export belongs to who asked for it; for anybody
else it is not there. Who polls lets it go on: see `service/handover/bulk/listing.py`.
"""

from __future__ import annotations

import time
from dataclasses import replace
from urllib.parse import urlencode

from service.caller import Caller
from service.errors import Invalid, Issue, NotFound, NotSupported
from service.handover.bulk.lines import lines_of
from service.handover.bulk.listing import list_on
from service.handover.bulk.manifest import manifest_of
from service.handover.bulk.members import members_of
from service.handover.bulk.parts import parts_of
from service.handover.bulk.request import BulkRequest, Level, request_from
from service.rest.call import Answer, Call, Service
from service.rest.compression import gzipped, wants_gzip
from service.rest.export_parameters import Wanted, read_parameters
from service.rest.negotiation import preference
from service.rest.parameters import handed
from service.rest.responses import http_date, told
from service.rest.routing import Interaction
from service.standard.codec import encode
from service.standard.grants import LISTED, insufficient, require
from service.store.connection import Connection
from service.store.consents import are_known_to, disclosure_to, who_denies
from service.store.current import current_version
from service.store.export_conditions import own_clients
from service.store.export_files import find_file, list_files
from service.store.exports import (
    Export,
    ExportLimits,
    drop_export,
    find_export,
    open_export,
)
from service.store.visibility import sees_nothing

WITHHELD = "Records are left out: a Consent of the client denies that they are disclosed like this"
NDJSON = "application/fhir+ndjson"
_LEVELS: dict[str | None, Level] = {None: "system", "Patient": "patient", "Group": "group"}
_STEP_SECONDS = 2.0
"""How long a status request may go on listing before it answers."""

_HOUR = 3600 * 1_000_000


def start_export(service: Service, call: Call, asked: Interaction) -> Answer:
    """GET or POST $export, Patient/$export, Group/[id]/$export. Without `Prefer` the same."""
    if call.in_bundle:
        raise NotSupported("An export cannot be asked for in a Bundle")
    level = _LEVELS[asked.type]
    prefers = preference(call.headers.get("prefer", ""))
    now = _now()
    wanted = read_parameters(
        handed(service, call),
        level,
        call.base,
        now,
        lenient=prefers.lenient,
        posted=call.method == "POST",
    )
    types = _allowed(call.caller, wanted)
    members = _members(call, asked, level, wanted.patients, now)
    denied, withheld = _denied(call, members, now)
    request = BulkRequest(
        url=_address(call),
        base=call.base,
        level=level,
        types=types,
        by=replace(call.caller, denied=denied),
        members=members is not None,
        since=wanted.since,
        until=wanted.until,
        filters=wanted.filters,
        elements=wanted.elements,
        associated=wanted.associated,
        ignored=(*wanted.ignored, *withheld),
        separate=prefers.separate_export_status,
    )
    settings = service.settings
    limits = ExportLimits(
        settings.export_running, settings.export_kept, settings.export_hours * _HOUR
    )
    export = open_export(
        service.store.database,
        _name(call.caller),
        request.to_text(),
        (members or set()) - denied,
        limits,
        _now,
    )
    address = f"{call.base}/$export-status/{export.id}"
    text = f"The export is told of at {address}"
    answer = told([Issue("information", "informational", text)], 202)
    answer.headers["Content-Location"] = address
    if request.separate:
        answer.headers["Preference-Applied"] = "separate-export-status"
    return answer


def show_status(service: Service, call: Call, asked: Interaction) -> Answer:
    """GET $export-status/[id]: how far it is, or the manifest."""
    export = _own(service, call, asked)
    request = request_from(export.request)
    if call.method != "HEAD":
        export = _listed_on(service, call, asked, export, request)
    answer = _manifest(service, call, export, request) if export.done else _running(export, request)
    if request.separate:
        answer.headers["X-Export-Status"] = str(answer.status)
        answer.status = 200
    return answer


def cancel_export(service: Service, call: Call, asked: Interaction) -> Answer:
    """DELETE $export-status/[id]: it stops, and its files are there no more."""
    export = _own(service, call, asked)
    drop_export(service.store.database, export.id)
    return told([Issue("information", "informational", "The export is forgotten")], 202)


def send_file(service: Service, call: Call, asked: Interaction) -> Answer:
    """GET $export-file/[id]/[number].[type].ndjson: the lines, as they are read."""
    if call.in_bundle:
        raise NotSupported("A file of an export cannot be asked for in a Bundle")
    export = _own(service, call, asked)
    number = (asked.detail or "").partition(".")[0]
    with service.store.reader() as connection:
        file = (
            find_file(connection, export.id, int(number))
            if export.done and number.isascii() and number.isdecimal() and len(number) < 9
            else None
        )
    if file is None or file.name != asked.detail:
        raise NotFound("There is no such file of this export")
    request = request_from(export.request)
    lines = lines_of(service.store, call.caller, request, file, call.base)
    headers = {"Vary": "Accept-Encoding", "Expires": _expires(export)}
    if wants_gzip(call.headers.get("accept-encoding", "")):
        lines = gzipped(lines)
        headers["Content-Encoding"] = "gzip"
    return Answer(200, headers=headers, media_type=NDJSON, pieces=lines)


def _allowed(caller: Caller, wanted: Wanted) -> tuple[str, ...]:
    """The types that the scopes of the caller are for. Raises Forbidden where there are none, or
    one was asked for by name."""
    if wanted.named:
        for kind in wanted.types:
            require(caller, LISTED, kind)
    found = tuple(kind for kind in wanted.types if not sees_nothing(caller, LISTED, (kind,)))
    if not found:
        raise insufficient(f"No scope of this caller has {LISTED!r} for any type of this export")
    return found


def _members(
    call: Call, asked: Interaction, level: Level, patients: tuple[str, ...] | None, now: int
) -> set[str] | None:
    """Whose records; None where everybody's. Raises Invalid for a patient who may not be meant."""
    with call.reading(snapshot=True) as connection:
        members: set[str] | None = None
        if level == "group":
            assert asked.id is not None
            members = members_of(connection, call.caller, asked.id, call.base, now)
        if patients is None:
            # So an export of few clients looks at what is theirs, and not at all there is.
            return own_clients(connection, call.caller) if level == "patient" else members
        for key in patients:
            if not _is_there(connection, call.caller, key) or (
                members is not None and key not in members
            ):
                raise Invalid(
                    f"patient: Patient/{key} is none of this export",
                    code="not-found",
                    location="http.patient",
                )
        return set(patients)


def _denied(
    call: Call, members: set[str] | None, now: int
) -> tuple[frozenset[str], tuple[Issue, ...]]:
    """Clients of the export whose Consent denies it; and that there are some, not which."""
    with call.reading(snapshot=True) as connection:
        denied = who_denies(connection, disclosure_to(call.caller, now), members)
        if not are_known_to(connection, call.caller, denied):
            return denied, ()
    return denied, (Issue("warning", "suppressed", WITHHELD),)


def _is_there(connection: Connection, caller: Caller, key: str) -> bool:
    stored = current_version(connection, caller, "Patient", key)
    return stored is not None and not stored.deleted


def _own(service: Service, call: Call, asked: Interaction) -> Export:
    """The export of this caller; NotFound for everybody else."""
    with service.store.reader() as connection:
        export = find_export(connection, _name(call.caller), asked.id or "", _now())
    if export is None:
        raise NotFound("There is no such export: it never was, was deleted, or has expired")
    return export


def _listed_on(
    service: Service, call: Call, asked: Interaction, export: Export, request: BulkRequest
) -> Export:
    """The export when it is done, or when the time of a status request is over."""
    end = time.monotonic() + _STEP_SECONDS
    while not export.done and (left := end - time.monotonic()) > 0:
        list_on(
            service.store,
            call.caller,
            export,
            request,
            seconds=left,
            file_size=service.settings.export_file_size,
            clock=_now,
        )
        # Another process may have been there first.
        export = _own(service, call, asked)
    return export


def _running(export: Export, request: BulkRequest) -> Answer:
    parts = len(parts_of(request))
    headers = {"X-Progress": f"{export.part * 100 // parts}% listed", "Retry-After": "1"}
    return Answer(202, headers=headers)


def _manifest(service: Service, call: Call, export: Export, request: BulkRequest) -> Answer:
    with service.store.reader() as connection:
        files = list_files(connection, export.id)
    guarded = service.settings.access != "open"
    manifest = manifest_of(export, request, files, f"{call.base}/$export-file", guarded)
    return Answer(
        200, encode(manifest), {"Expires": _expires(export)}, media_type="application/json"
    )


def _expires(export: Export) -> str:
    return http_date(export.expires // 1_000_000)


def _address(call: Call) -> str:
    query = f"?{urlencode(call.query, safe=':/,$')}" if call.query else ""
    return "/".join((call.base, *call.path)) + query


def _name(caller: Caller) -> str:
    """A system and a person may have one name."""
    return f"{caller.kind} {caller.name}"


def _now() -> int:
    return time.time_ns() // 1000
