"""What does this service claim? The CapabilityStatement, made from the registry and the tables.

Only what the routes, the search parameters and the operations here really offer goes in.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

from service import __version__
from service.rest.call import Answer, Call, Service
from service.rest.operations import OPERATIONS, Operation
from service.rest.routing import Interaction
from service.standard.codec import encode
from service.standard.definitions import SearchParameter, definitions
from service.standard.registry import RESOURCE_TYPES

RELEASED = "2026-11-25"
"""When what is claimed here last changed."""

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
    return Answer(200, _statement(call.base, service.settings.access))


@lru_cache(maxsize=16)
def _statement(base: str, access: str) -> bytes:
    return encode(capability_statement(base, access))


def capability_statement(base: str, access: str) -> dict[str, Any]:
    """The CapabilityStatement for this base URL."""
    rest: dict[str, Any] = {
        "mode": "server",
        "security": {"description": _security(access)},
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


def _security(access: str) -> str:
    if access == "open":
        return "Open: whoever reaches this address may do everything. It listens on loopback only."
    return "An access token is needed for everything but this statement."


def _resource(name: str) -> dict[str, Any]:
    parameters = definitions().search_parameters(name)
    references = [p for p in parameters.values() if p.kind == "reference"]
    operations = [o for o in OPERATIONS.values() if not o.types or name in o.types]
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
    found["searchParam"] = [_parameter(p) for p in answered]
    found["operation"] = [_operation(o) for o in operations]
    return found


def _reverse_includes(name: str) -> list[str]:
    return [
        f"{source}:{p.code}"
        for source in RESOURCE_TYPES
        for p in definitions().search_parameters(source).values()
        if p.kind == "reference" and name in p.targets
    ]


def _parameter(parameter: SearchParameter) -> dict[str, Any]:
    return {"name": parameter.code, "definition": parameter.url, "type": parameter.kind}


def _common_parameters() -> list[dict[str, Any]]:
    shared = definitions().search_parameters("Patient")
    return [_parameter(p) for code, p in sorted(shared.items()) if code.startswith("_")]


def _operation(operation: Operation) -> dict[str, Any]:
    return {"name": operation.name, "definition": operation.definition}
