"""Which elements may a value have, under which names?

The tables of R4 by path (`Observation`, `Observation.component`, `Quantity`). R4: formats.html,
elementdefinition.html#path.
"""

from __future__ import annotations

import functools

from service.standard.definitions import Element, definitions

Shapes = frozenset[str]
"""Paths into the elements tables that a value may be of."""


@functools.lru_cache(maxsize=4096)
def elements_named(shapes: Shapes, name: str) -> tuple[Element, ...]:
    """Elements of these shapes under a FHIRPath name (`value`) or its JSON name (`valueCode`)."""
    known = definitions()
    return tuple(
        element
        for shape in sorted(shapes)
        for element in known.elements(shape).values()
        if name in (element.choice or element.name, element.name)
    )


def shapes_of(elements: tuple[Element, ...]) -> Shapes:
    """What the values of these elements may be of."""
    return frozenset(element.children or "Element" for element in elements)
