"""Can a resource have more than one value of a search parameter?

Read from the expression of the parameter and the cardinalities of the elements on its way.
"""

from __future__ import annotations

import functools

from service.standard.definitions import SearchParameter, definitions
from service.standard.expressions import Field, Step, read


@functools.lru_cache(maxsize=2048)
def single_valued(parameter: SearchParameter) -> bool:
    """Whether it is certain that there is one row of the index at most.

    A CodeableConcept or a HumanName is one value in several rows, so only dates and amounts can
    be.
    """
    if parameter.kind not in ("date", "quantity", "number"):
        return False
    paths = read(parameter.expression)
    firsts = {path.steps[0] for path in paths}
    # Alternatives of one choice element exclude each other.
    return len(firsts) == 1 and not any(_repeats(parameter.type, path.steps) for path in paths)


def _repeats(type_: str, steps: tuple[Step, ...]) -> bool:
    places = {type_}
    for step in steps:
        if not isinstance(step, Field):
            continue
        found = [
            element
            for place in places
            for element in definitions().elements(place).values()
            if step.name in (element.name, element.choice)
        ]
        if not found or any(element.repeats for element in found):
            return True
        places = {element.children for element in found}
    return False
