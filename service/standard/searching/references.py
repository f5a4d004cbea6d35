"""To what does a searched reference lead?

R4 search page, #reference: `id`, `Type/id`, an absolute URL (ours is the same as `Type/id`) or a
canonical URL with or without `|version`.
"""

from __future__ import annotations

import re

from service.standard.searching.escapes import unescape
from service.standard.searching.query import ReferenceValue
from service.standard.searching.refusals import wrong_value

_ID = re.compile(r"[A-Za-z0-9\-.]{1,64}")
_LOCAL = re.compile(r"([A-Z][A-Za-z]+)/([A-Za-z0-9\-.]{1,64})(?:/_history/[A-Za-z0-9\-.]{1,64})?")
_URL = re.compile(r"[A-Za-z][A-Za-z0-9+.\-]*:\S+")


def reference_value(name: str, text: str, base: str) -> ReferenceValue:
    """Raises Invalid where it is none of these."""
    text = unescape(text)
    if _ID.fullmatch(text):
        return ReferenceValue(id=text)
    own = text.removeprefix(base)
    local = _LOCAL.fullmatch(own)
    if local:
        return ReferenceValue(local[1], local[2])
    if _URL.fullmatch(text):
        return ReferenceValue(url=text)
    raise wrong_value(name, f"{text[:80]!r} is neither an id, Type/id nor an absolute URL")


def typed_reference(name: str, text: str, base: str, type_: str) -> ReferenceValue:
    """The value of `:[type]`: an id, or a reference that says the same type."""
    value = reference_value(name, text, base)
    if value.url is not None or value.type not in (None, type_):
        raise wrong_value(name, f"{text[:80]!r} is not the id of a {type_}")
    return ReferenceValue(type_, value.id)
