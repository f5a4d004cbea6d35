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
from service.standard.validation.plans import Plan, resource_plan

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
    try:
        get_fhir_model_class(kind).model_validate(resource)
    except ValidationError as error:
        known = [issue.expression or "" for issue in found if issue.severity == "error"]
        findings = error.errors(include_url=False, include_context=False)[:MAX_ISSUES]
        told = (_issue(resource, finding) for finding in findings)
        return [issue for issue in told if issue and not _is_known(issue, known)]
    return []


def _issue(resource: dict[str, Any], finding: Any) -> Issue | None:
    """None where the elements tables of R4 have an element that the R4B model lacks."""
    path, exists = _path(resource, finding["loc"])
    if finding["type"] == "extra_forbidden" and exists:
        return None
    code, text = _MESSAGES.get(finding["type"], ("value", str(finding["msg"])[:150]))
    return Issue("error", code, text, path)


def _path(resource: dict[str, Any], location: tuple[str | int, ...]) -> tuple[str, bool]:
    """The FHIRPath of a finding, and whether R4 has an element there."""
    path = str(resource["resourceType"])
    node: Any = resource
    plan: Plan | None = resource_plan(path)
    exists = True
    for step in location:
        if isinstance(step, int):
            path += f"[{step}]"
            node = node[step] if isinstance(node, list) and step < len(node) else None
        elif step != "root":
            plan = _inside(node, plan)
            slot = plan.slots.get(step) if plan else None
            exists = slot is not None
            path += f".{slot.label if slot else step.removeprefix('_')}"
            node = node.get(step) if isinstance(node, dict) else None
            plan = slot.plan if slot else None
    return path, exists


def _inside(node: Any, plan: Plan | None) -> Plan | None:
    if plan is None and isinstance(node, dict):
        return resource_plan(str(node.get("resourceType")))
    return plan


def _is_known(issue: Issue, known: list[str]) -> bool:
    path = issue.expression or ""
    return any(_is_at_or_below(one, path) or _is_at_or_below(path, one) for one in known)


def _is_at_or_below(path: str, other: str) -> bool:
    return path.startswith(other) and path[len(other) : len(other) + 1] in ("", ".", "[")
