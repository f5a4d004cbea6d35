"""Is it still the same resource after a patch? R4 page: RESTful API, section patch."""

from __future__ import annotations

from typing import Any

from service.errors import Invalid


def check_identity(before: dict[str, Any], after: Any) -> dict[str, Any]:
    """The patched resource, or a refusal where its type or id is another one than before."""
    if not isinstance(after, dict):
        raise Invalid("The patch leaves no resource", code="business-rule", status=422)
    for name in ("resourceType", "id"):
        if before.get(name) != after.get(name):
            raise Invalid(
                f"A patch may not change {name}",
                code="business-rule",
                status=422,
                expression=f"{before.get('resourceType')}.{name}",
            )
    return after
