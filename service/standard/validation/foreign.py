"""What must hold in a contained resource of a type that the service does not hold?

Its structure is judged by fhir.resources; here only what no JSON of FHIR may have: nulls where
no primitive list is padded, empty arrays, objects and strings, control characters.
"""

from __future__ import annotations

from typing import Any

from service.standard.validation.findings import Context, Place
from service.standard.validation.primitives import MAX_CHARACTERS, is_clean


def walk_foreign(value: dict[str, Any], place: Place, context: Context) -> None:
    """Report what is empty or unclean in `value` or below."""
    for name, item in value.items():
        inner = Place(place, name.removeprefix("_")[:64])
        if isinstance(item, list):
            if not item:
                context.add("structure", "An array must not be empty", inner)
            for index, each in enumerate(item):
                if each is not None:
                    _look(each, Place(place, inner.name, index), context)
        else:
            _look(item, inner, context)


def _look(item: Any, place: Place, context: Context) -> None:
    if item is None:
        context.add("structure", "null is not allowed here", place)
    elif isinstance(item, str):
        if not item or len(item) > MAX_CHARACTERS or not is_clean(item):
            text = "A string must have 1 to 1048576 characters and no control characters"
            context.add("value", text, place)
    elif isinstance(item, list):
        context.add("structure", "An array in an array is not allowed", place)
    elif isinstance(item, dict):
        if not item:
            context.add("structure", "An object must not be empty", place)
        walk_foreign(item, place, context)
