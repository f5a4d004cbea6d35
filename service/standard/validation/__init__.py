"""Is this resource valid R4? Every problem found, each with the FHIRPath of its element.

The walk (`walk.py`) looks at each element once: structure, primitives, required codes,
references, narrative, invariants. The model of fhir.resources (`structure.py`) is a second judge
of the structure.
"""

from __future__ import annotations

from typing import Any, NamedTuple

from service.errors import Invalid, Issue
from service.standard.validation.bundles import entries_of
from service.standard.validation.findings import Context, EnoughError, Place, shown
from service.standard.validation.structure import structure_issues
from service.standard.validation.walk import walk_resource

_BUSINESS = frozenset({"code-invalid", "business-rule"})


class Surroundings(NamedTuple):
    """The Bundle that the resource of an entry came in, and its resources by fullUrl.

    References may lead to its other entries, and be searches if it is a transaction.
    """

    bundle: dict[str, Any]
    entries: dict[str, dict[str, Any]]

    @classmethod
    def of(cls, bundle: dict[str, Any]) -> Surroundings:
        return cls(bundle, entries_of(bundle))


def validate(resource: dict[str, Any], *, within: Surroundings | None = None) -> list[Issue]:
    """Every problem; empty where the resource is valid. Warnings may be among them."""
    kind = resource.get("resourceType")
    context = Context(resource)
    if within is not None:
        context.bundle, context.entries = within
    place = Place(None, kind[:64] if isinstance(kind, str) else "resourceType")
    try:
        walk_resource(resource, place, context)
        judged = _judged(resource, context)
    except EnoughError:
        judged = [Issue("error", "too-long", "There are more problems than are told here")]
    except RecursionError:
        return [Issue("error", "structure", "Nested too deep to be looked at", str(place))]
    return list(dict.fromkeys([*context.issues, *judged]))


def check(resource: dict[str, Any], *, within: Surroundings | None = None) -> None:
    """Raise Invalid if there is any error: 422 where only codes or business rules are broken."""
    issues = validate(resource, within=within)
    errors = [issue for issue in issues if issue.severity in ("fatal", "error")]
    if errors:
        only_business = all(issue.code in _BUSINESS for issue in errors)
        raise Invalid(issues=errors, status=422 if only_business else 400)


def _judged(resource: dict[str, Any], context: Context) -> list[Issue]:
    """The findings of the second judge, which may stumble over what the walk has refused."""
    try:
        return structure_issues(resource, context.issues)
    except RecursionError:
        raise
    except Exception:
        if context.errors or context.foreign:
            return []
        kind = shown(resource.get("resourceType"))
        return [Issue("error", "structure", f"Cannot be read as {kind}")]
