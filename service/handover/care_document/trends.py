"""How does a series look in plain text? A few points, evenly chosen, and bars of block characters.

No image and no script: R4 narrative, and it must read without any styling.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeVar

from service.handover.care_document.words import number_words

_BARS = "▁▂▃▄▅▆▇█"
_POINTS = 8

_T = TypeVar("_T")


def spread(found: Sequence[_T], most: int) -> list[_T]:
    """At most `most` of them, evenly chosen, the first and the last always among them."""
    if len(found) <= most:
        return list(found)
    step = (len(found) - 1) / (most - 1)
    return [found[round(place * step)] for place in range(most)]


def arrows(numbers: Sequence[float]) -> str:
    """The way from the first to the last, for instance `9.1 → 8 → 6.2`."""
    return " → ".join(number_words(number) for number in spread(numbers, _POINTS))


def bars(numbers: Sequence[float], floor: float | None = None) -> str:
    """One bar a value, from the lowest (or `floor`) to the highest."""
    if not numbers:
        return ""
    low = min(numbers) if floor is None else min(floor, *numbers)
    height = max(numbers) - low
    steps = len(_BARS) - 1
    return "".join(_BARS[round((n - low) / height * steps) if height else 0] for n in numbers)
