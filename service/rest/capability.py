"""What does this service claim? The CapabilityStatement, made from the registry and the tables.

Only what the routes, the search parameters and the operations here really offer goes in.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

from service import __version__
from service.access.addresses import Addresses, addresses_of
from service.access.discovery import smart_configuration, smart_security
from service.errors import NotFound
from service.rest.audit import KIND as AUDIT
from service.rest.audit_question import PARAMETERS
from service.rest.call import Answer, Call, Service
from service.rest.operations import OPERATIONS, Operation
from service.rest.routing import Interaction
from service.standard.codec import encode
from service.standard.definitions import SearchParameter, definitions
from service.standard.registry import RESOURCE_TYPES

RELEASED = "2026-11-25"
"""When what is claimed here last changed."""

_OPEN = "Open: whoever reaches this address may do everything. It listens on loopback only."

_WORDS = (
    'Words in any order, all of which must be there; "words in quotation marks" one after another;'
    " the beginning of a word with at least three letters or digits and *; alternatives divided by"
    " commas. Case, accents and punctuation do not count; words are not reduced to stems. The first"
    " 16,000 words of a resource are searched; ids, codes and URLs are not among them."
)

_TYPE_INTERACTIONS = (
    "read",
    "vread",
    "update",
    "patch",
    "delete",
    "history-instance",
    "history-type",
    "create",
    "search-type",
)
_SYSTEM_INTERACTIONS = ("transaction", "batch", "search-system", "history-system")


def capabilities(service: Service, call: Call, asked: Interaction) -> Answer:
    """GET metadata."""
    settings = service.settings
    addresses = None if settings.access == "open" else addresses_of(settings)
    return Answer(200, _statement(call.base, addresses, bool(settings.cors_origins)))


def tell_smart_configuration(service: Service, call: Call, asked: Interaction) -> Answer:
    """GET .well-known/smart-configuration."""
    if service.settings.access == "open":
        raise NotFound("The service runs without access control: there are no tokens")
    content = encode(smart_configuration(addresses_of(service.settings)))
    return Answer(200, content, media_type="application/json")


@lru_cache(maxsize=16)
def _statement(base: str, addresses: Addresses | None, cors: bool) -> bytes:
    return encode(capability_statement(base, addresses, cors=cors))


def capability_statement(
    base: str, addresses: Addresses | None, *, cors: bool = False
) -> dict[str, Any]:
    """The CapabilityStatement for this base URL; without access control `addresses` is None.

    `cors`: pages elsewhere may call from a browser.
    """
    rest: dict[str, Any] = {
        "mode": "server",
        "security": {
            "cors": cors,
            **(smart_security(addresses) if addresses else {"description": _OPEN}),
        },
        "resource": [_resource(name) for name in RESOURCE_TYPES],
        "interaction": [{"code": code} for code in _SYSTEM_INTERACTIONS],
        "searchParam": _common_parameters(),
    }
    operations = [_operation(o) for o in OPERATIONS.values() if "system" in o.levels]
    rest |= {"operation": operations} if operations else {}
    rest["compartment"] = ["http://hl7.org/fhir/CompartmentDefinition/patient"]
    return {
        "resourceType": "CapabilityStatement",
        "url": f"{base}/metadata",
        "name": "Hyoid",
        "title": "Hyoid: FHIR R4 service for speech-language therapy",
        "status": "active",
        "date": RELEASED,
        "kind": "instance",
        "instantiates": ["http://hl7.org/fhir/uv/bulkdata/CapabilityStatement/bulk-data"],
        "description": (
            "Takes therapy plans and session results in, keeps plan, technique, response and"
            " outcome linked and coded, and gives them back."
        ),
        "software": {"name": "Hyoid", "version": __version__},
        "implementation": {"description": "Hyoid", "url": base},
        "fhirVersion": "4.0.1",
        "format": ["json", "application/fhir+json"],
        "patchFormat": [
            "application/json-patch+json",
            "application/merge-patch+json",
            "application/fhir+json",
        ],
        "rest": [rest],
    }


def _resource(name: str) -> dict[str, Any]:
    parameters = definitions().search_parameters(name)
    references = [p for p in parameters.values() if p.kind == "reference"]
    operations = [o for o in OPERATIONS.values() if _is_for(o, name)]
    found: dict[str, Any] = {
        "type": name,
        "profile": f"http://hl7.org/fhir/StructureDefinition/{name}",
        "interaction": [{"code": code} for code in _TYPE_INTERACTIONS],
        "versioning": "versioned",
        "readHistory": True,
        "updateCreate": True,
        "conditionalCreate": True,
        "conditionalRead": "full-support",
        "conditionalUpdate": True,
        "conditionalDelete": "single",
        "referencePolicy": ["literal", "logical", "local"],
    }
    includes = [f"{name}:{p.code}" for p in references]
    found |= {"searchInclude": includes} if includes else {}
    reverse = _reverse_includes(name)
    found |= {"searchRevInclude": reverse} if reverse else {}
    # What has no kind of its own (`near`) is not answered.
    answered = [p for _, p in sorted(parameters.items()) if p.kind != "special"]
    texts = _texts(narrative="text" in definitions().elements(name))
    found["searchParam"] = texts + [_parameter(p) for p in answered]
    found["operation"] = [_operation(o) for o in operations]
    return _audit(found) if name == AUDIT else found


def _audit(found: dict[str, Any]) -> dict[str, Any]:
    """What is offered of AuditEvents: they are read from the log, which is only appended to."""
    known = definitions().search_parameters(AUDIT)
    documentation = (
        "The audit log of the service itself, the newest first: as it was stored, or by `recorded`"
        " where `date` or `_sort=-date` is asked. `create` appends what a client has seen, tagged"
        " as sent, with the sender as the last agent. $everything, $export and searches of several"
        " types leave it out."
    )
    return {
        "type": AUDIT,
        "profile": found["profile"],
        "documentation": documentation,
        "interaction": [{"code": code} for code in ("read", "vread", "create", "search-type")],
        "versioning": "versioned",
        "readHistory": True,
        "updateCreate": False,
        "conditionalCreate": False,
        "conditionalRead": "full-support",
        "conditionalUpdate": False,
        "conditionalDelete": "not-supported",
        "referencePolicy": found["referencePolicy"],
        "searchParam": [_parameter(known[code]) for code in PARAMETERS],
        "operation": found["operation"],
    }


def _is_for(operation: Operation, name: str) -> bool:
    """Whether it is offered for the type: by name, or as one that is for every type."""
    if operation.types:
        return name in operation.types
    return operation.levels != {"system"}


def _reverse_includes(name: str) -> list[str]:
    return [
        f"{source}:{p.code}"
        for source in RESOURCE_TYPES
        if source != AUDIT
        for p in definitions().search_parameters(source).values()
        if p.kind == "reference" and name in p.targets
    ]


def _parameter(parameter: SearchParameter) -> dict[str, Any]:
    return {"name": parameter.code, "definition": parameter.url, "type": parameter.kind}


def _common_parameters() -> list[dict[str, Any]]:
    shared = definitions().search_parameters("Patient")
    found = [_parameter(p) for code, p in sorted(shared.items()) if code.startswith("_")]
    return _texts(narrative=True) + found


def _texts(*, narrative: bool) -> list[dict[str, Any]]:
    """The parameters that ask for words; only what may have a narrative has `_text`."""
    defined = {"_content": "Resource-content"} | (
        {"_text": "DomainResource-text"} if narrative else {}
    )
    return [
        {
            "name": code,
            "definition": f"http://hl7.org/fhir/SearchParameter/{key}",
            "type": "string",
            "documentation": _WORDS,
        }
        for code, key in defined.items()
    ]


def _operation(operation: Operation) -> dict[str, Any]:
    return {"name": operation.name, "definition": operation.definition}
