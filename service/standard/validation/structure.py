"""What does the model of fhir.resources say about the structure?

It is a second judge beside the walk. Its R4B models agree with R4 4.0.1 for our types but for
elements that one of the two releases lacks; there the elements tables decide. A finding at a
place where the walk has found something already says nothing new.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from fhir.resources.R4B import get_fhir_model_class
from pydantic import ValidationError

from service.errors import Issue
from service.standard.validation.findings import MAX_ISSUES
from service.standard.validation.plans import Plan, Slot, resource_plan

_MESSAGES = {
    "missing": ("required", "A required element is missing"),
    "model_field_validation.missing": ("required", "A required element is missing"),
    "extra_forbidden": ("structure", "There is no such element"),
    "list_type": ("structure", "Must be an array"),
    "model_validation_format": ("structure", "Not of the type that is expected here"),
}


def structure_issues(resource: dict[str, Any], found: Iterable[Issue]) -> list[Issue]:
    """What the model finds, without what is known from `found` or is no fault in R4."""
    kind = resource["resourceType"]
    if kind == "Bundle" and _are_fine(resource.get("entry", ())):
        return []
    try:
        get_fhir_model_class(kind).model_validate(resource)
    except ValidationError as error:
        known = [issue.expression or "" for issue in found if issue.severity == "error"]
        findings = error.errors(include_url=False, include_context=False)[:MAX_ISSUES]
        told = (_issue(resource, finding) for finding in findings)
        return [issue for issue in told if issue and not _is_known(issue, known)]
    return []


def _are_fine(entries: Any) -> bool:
    """Whether the model takes the resources of a Bundle, each by itself.

    That is much cheaper than to take the Bundle as a whole, whose own elements the walk has seen.
    Where one is no good the whole tells what and where.
    """
    try:
        for entry in entries:
            resource = entry.get("resource")
            if resource is not None:
                get_fhir_model_class(resource["resourceType"]).model_validate(resource)
    except Exception:
        return False
    return True


def _issue(resource: dict[str, Any], finding: Any) -> Issue | None:
    """None where R4 differs: in its elements, and in the values of primitives.

    The models refuse, for instance, a code with a no-break space in it, of which the official
    code systems have some.
    """
    path, slot = _path(resource, finding["loc"])
    code, text = _MESSAGES.get(finding["type"], ("value", str(finding["msg"])[:150]))
    is_known = finding["type"] == "extra_forbidden" and slot is not None
    is_value = code == "value" and slot is not None and slot.datatype is not None
    return None if is_known or is_value else Issue("error", code, text, path)


def _path(resource: dict[str, Any], location: tuple[str | int, ...]) -> tuple[str, Slot | None]:
    """The FHIRPath of a finding, and the slot of its element if R4 has it."""
    path = str(resource["resourceType"])
    node: Any = resource
    plan: Plan | None = resource_plan(path)
    slot: Slot | None = None
    for step in location:
        if isinstance(step, int):
            path += f"[{step}]"
            node = node[step] if isinstance(node, list) and step < len(node) else None
        elif step != "root":
            plan = _inside(node, plan)
            slot = plan.slots.get(step) if plan else None
            path += f".{slot.label if slot else step.removeprefix('_')}"
            node = node.get(step) if isinstance(node, dict) else None
            plan = slot.plan if slot else None
    return path, slot


def _inside(node: Any, plan: Plan | None) -> Plan | None:
    if plan is None and isinstance(node, dict):
        return resource_plan(str(node.get("resourceType")))
    return plan


def _is_known(issue: Issue, known: list[str]) -> bool:
    path = issue.expression or ""
    return any(_is_at_or_below(one, path) or _is_at_or_below(path, one) for one in known)


def _is_at_or_below(path: str, other: str) -> bool:
    return path.startswith(other) and path[len(other) : len(other) + 1] in ("", ".", "[")
