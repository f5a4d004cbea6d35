"""What does a resource look like after a merge patch? RFC 7396.

R4 does not ask for it, but client libraries send it: an object with the elements that change,
null for those that go. A list is replaced as a whole.
"""

from __future__ import annotations

from typing import Any

from service.errors import Malformed
from service.standard.patching._identity import check_identity


def apply_merge_patch(resource: dict[str, Any], patch: Any) -> dict[str, Any]:
    """The patched resource; neither argument is changed. Raises Malformed, or Invalid (422)."""
    if not isinstance(patch, dict):
        raise Malformed("A merge patch must be an object", location="patch")
    return check_identity(resource, merged(resource, patch))


def merged(target: Any, patch: Any) -> Any:
    """MergePatch(Target, Patch) of RFC 7396, section 2."""
    if not isinstance(patch, dict):
        return patch
    found = dict(target) if isinstance(target, dict) else {}
    for name, value in patch.items():
        if value is None:
            found.pop(name, None)
        else:
            found[name] = merged(found.get(name), value)
    return found
