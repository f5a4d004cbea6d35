"""Does the structure hold: known elements, cardinality, types?

The judge is the fhir.resources model of the type (R4B, which agrees with R4 4.0.1 for our types
but for the differences handled by the caller). This module turns its findings into issues with
the FHIRPath of the element.
"""

from __future__ import annotations

from typing import Any

from fhir.resources.R4B import get_fhir_model_class
from pydantic import ValidationError

from service.errors import Issue


def structure_issues(resource: dict[str, Any]) -> list[Issue]:
    """What the model of the resource's type finds wrong."""
    kind = resource.get("resourceType")
    if not isinstance(kind, str) or not kind:
        return [Issue("error", "structure", "A resource must have a resourceType")]
    try:
        get_fhir_model_class(kind).model_validate(resource)
    except ValidationError as error:
        return [_issue(kind, found) for found in error.errors(include_url=False)]
    except Exception:
        return [Issue("error", "structure", f"Cannot be read as {kind[:64]}", kind[:64])]
    return []


def _issue(kind: str, found: Any) -> Issue:
    path = kind
    for step in found["loc"]:
        if isinstance(step, int):
            path += f"[{step}]"
        elif step != "root":
            path += f".{step.removeprefix('_')}"
    code = "structure"
    if "missing" in found["type"]:
        code = "required"
    elif not found["type"].endswith(("_type", "forbidden", "format")):
        code = "value"
    return Issue("error", code, str(found["msg"])[:200], path)
