"""How is the answer of an operation written? As a Parameters resource.

R4: http://hl7.org/fhir/R4/parameters.html.
"""

from __future__ import annotations

from typing import Any

Resource = dict[str, Any]


def parameters(*entries: Resource) -> Resource:
    """A Parameters resource of these parameters."""
    return {"resourceType": "Parameters", "parameter": list(entries)}


def named(name: str, **value: Any) -> Resource:
    """One parameter: `named("result", valueBoolean=True)`, or with `part`."""
    return {"name": name, **value}
