"""Is this resource valid R4? Every problem found, each with the FHIRPath of its element."""

from __future__ import annotations

from typing import Any

from service.errors import Invalid, Issue
from service.standard.validation.structure import structure_issues

_BUSINESS = frozenset({"code-invalid", "business-rule"})


def validate(resource: dict[str, Any]) -> list[Issue]:
    """Every problem; empty where the resource is valid. Warnings may be among them."""
    return structure_issues(resource)


def check(resource: dict[str, Any]) -> None:
    """Raise Invalid if there is any error: 422 where only codes or business rules are broken."""
    issues = validate(resource)
    errors = [issue for issue in issues if issue.severity in ("fatal", "error")]
    if errors:
        only_business = all(issue.code in _BUSINESS for issue in errors)
        raise Invalid(issues=issues, status=422 if only_business else 400)
