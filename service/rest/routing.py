"""Which request is which interaction? (R4 http page, http://hl7.org/fhir/R4/http.html)"""

from __future__ import annotations

from dataclasses import dataclass

from service.errors import MethodNotAllowed, NotFound
from service.standard.registry import RESOURCE_TYPES

_TYPES = frozenset(RESOURCE_TYPES)
_READ = {"GET": "read", "HEAD": "read"}

_SYSTEM = {"GET": "search-system", "HEAD": "search-system", "POST": "transaction"}
_TYPE = {
    "GET": "search-type",
    "HEAD": "search-type",
    "POST": "create",
    "PUT": "conditional-update",
    "PATCH": "conditional-patch",
    "DELETE": "conditional-delete",
}
_INSTANCE = _READ | {"PUT": "update", "PATCH": "patch", "DELETE": "delete"}
_OPERATION = {"GET": "operation", "HEAD": "operation", "POST": "operation"}
_EXPORT = {"GET": "export-status", "HEAD": "export-status", "DELETE": "export-cancel"}


def _get(name: str) -> dict[str, str]:
    return {"GET": name, "HEAD": name}


def _post(name: str) -> dict[str, str]:
    return {"POST": name}


@dataclass(frozen=True, slots=True)
class Interaction:
    """The interaction and what it is about.

    `name` is a code of http://hl7.org/fhir/restful-interaction, or `conditional-…`, or
    `search-compartment`, or `smart-configuration`. `detail` is the version, the operation (with
    `$`) or the type searched in a compartment.
    """

    name: str
    type: str | None = None
    id: str | None = None
    detail: str | None = None


def interaction_of(method: str, path: tuple[str, ...]) -> Interaction:
    """Find it by method and path below the base URL.

    Raises NotFound for an address we do not have, MethodNotAllowed (with `Allow`) for one that
    we have with other methods.
    """
    found = _address(path)
    if found is None:
        raise NotFound(f"There is nothing at {_shown(path)}")
    methods, resource_type, resource_id, detail = found
    if resource_type is not None and resource_type not in _TYPES:
        raise NotFound(f"This service holds no resources of type {resource_type[:64]!r}")
    name = methods.get(method)
    if name is None:
        allowed = ", ".join(methods)
        raise MethodNotAllowed(
            f"{method} is not offered at {_shown(path)}; {allowed} is",
            headers={"Allow": allowed},
        )
    return Interaction(name, resource_type, resource_id, detail)


_Found = tuple[dict[str, str], str | None, str | None, str | None]


def _address(path: tuple[str, ...]) -> _Found | None:
    match path:
        case ():
            return _SYSTEM, None, None, None
        case ("metadata",):
            return _get("capabilities"), None, None, None
        case ("$export-status", key):
            return _EXPORT, None, key, None
        case ("$export-file", key, name):
            return _get("export-file"), None, key, name
        case (".well-known", "smart-configuration"):
            return _get("smart-configuration"), None, None, None
        case ("_history",):
            return _get("history-system"), None, None, None
        case ("_search",):
            return _post("search-system"), None, None, None
        case (name,) if name.startswith("$"):
            return _OPERATION, None, None, name
        case (kind,):
            return _TYPE, kind, None, None
        case (kind, "_search"):
            return _post("search-type"), kind, None, None
        case (kind, "_history"):
            return _get("history-type"), kind, None, None
        case (kind, name) if name.startswith("$"):
            return _OPERATION, kind, None, name
        case (kind, key):
            return _INSTANCE, kind, key, None
        case (kind, key, "_history"):
            return _get("history-instance"), kind, key, None
        case (kind, key, "_history", version):
            return _get("vread"), kind, key, version
        case (kind, key, name) if name.startswith("$"):
            return _OPERATION, kind, key, name
        case ("Patient", key, searched):
            return _get("search-compartment"), "Patient", key, searched
        case ("Patient", key, searched, "_search"):
            return _post("search-compartment"), "Patient", key, searched
    return None


def _shown(path: tuple[str, ...]) -> str:
    return "/" + "/".join(path)[:120]
