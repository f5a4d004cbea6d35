"""What is the patient summary of a client? A document Bundle, made on request and not stored.

International Patient Summary 2.0, http://hl7.org/fhir/uv/ips, as far as this service has data; no
profile is claimed in meta, since what is recorded need not hold all that its profiles want.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Mapping
from typing import Any

from service.caller import Caller
from service.handover.care_document.composition import AUTHOR
from service.handover.care_document.front import client_rows
from service.handover.care_document.markup import narrative, pairs, paragraph
from service.handover.care_document.material import is_about, is_wrong
from service.handover.care_document.section import Section
from service.handover.document import Document, document
from service.handover.summary_sections import KINDS, summary_sections
from service.standard.codec import decode_resource, encode
from service.standard.mentions import local_name
from service.store.belonging import belonging
from service.store.connection import Connection
from service.store.current import current_version
from service.store.record import RecordQuery, record_page
from service.store.rows import Stored
from service.store.store import present
from service.therapy.device import service_device
from service.therapy.references import named

Resource = dict[str, Any]

_TITLE = "Patient summary"
_WRITTEN = (
    "Written by the service Hyoid from what is recorded here for speech-language therapy, without a"
    " person's judgement. What is not here may be elsewhere."
)


def summary(
    connection: Connection, caller: Caller, patient: str, base: str, date: str, version: str
) -> Document:
    """The summary of Patient `patient`. Give a connection with one snapshot.

    `date` is an instant, `version` that of this software. Linear in the client's record. Raises
    NotFound or Gone where there is no such patient.
    """
    stored = present(current_version(connection, caller, "Patient", patient), f"Patient/{patient}")
    subject = decode_resource(stored.body or b"")
    sections = summary_sections(_record(connection, caller, patient, base))
    custodian = _custodian(connection, caller, subject, base)
    resource = _composition(subject, sections, custodian, date, version, base)
    body = encode(resource)
    key = str(resource["id"])
    made = Stored("Composition", key, 1, stored.updated, False, body, 0, 0, "POST")
    return document(connection, caller, made, base)


def _record(
    connection: Connection, caller: Caller, patient: str, base: str
) -> Mapping[str, list[Resource]]:
    """What is about this client, and lies in no other client's record as well."""
    listed = record_page(connection, caller, RecordQuery(patient, KINDS))
    names = [(stored.type, stored.id) for stored in listed]
    own = belonging(connection, caller, names, patient)
    found: dict[str, list[Resource]] = {kind: [] for kind in KINDS}
    for stored in listed:
        resource = decode_resource(stored.body or b"")
        about = is_about(resource, f"Patient/{patient}", base)
        if about and (stored.type, stored.id) in own and not is_wrong(resource):
            found[stored.type].append(resource)
    return found


def _custodian(connection: Connection, caller: Caller, patient: Resource, base: str) -> str | None:
    reference = patient.get("managingOrganization", {}).get("reference")
    name = local_name(reference, base) if isinstance(reference, str) else None
    if name is None or not belonging(connection, caller, [name], str(patient["id"])):
        return None
    return f"{name[0]}/{name[1]}"


def _composition(
    patient: Resource,
    sections: Iterable[Section],
    custodian: str | None,
    date: str,
    version: str,
    base: str,
) -> Resource:
    nodes = [
        paragraph(_TITLE, bold=True),
        paragraph(_WRITTEN),
        *pairs("About the client", client_rows(patient)),
    ]
    listed = list(sections)
    known = frozenset(name for section in listed for name in section.entries)
    key = str(uuid.uuid5(uuid.NAMESPACE_URL, f"{base}/{named(patient)}#summary"))
    found: Resource = {
        "resourceType": "Composition",
        "id": key,
        "language": "en",
        "text": {"status": "generated", "div": narrative(nodes)},
        "contained": [service_device(version) | {"id": AUTHOR}],
        "status": "final",
        "type": {
            "coding": [{"system": "http://loinc.org", "code": "60591-5"}],
            "text": _TITLE,
        },
        "subject": {"reference": named(patient)},
        "date": date,
        "author": [{"reference": f"#{AUTHOR}", "display": "Hyoid"}],
        "title": _TITLE,
    }
    if custodian:
        found["custodian"] = {"reference": custodian}
    found["section"] = [section.as_fhir(known) for section in listed]
    return found
