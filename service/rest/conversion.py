"""How much is a number in another unit? For computations that know no units of their own."""

from __future__ import annotations

import functools
from typing import cast

from service.standard.units import to_base


def convert(number: float, unit: str, wanted: str) -> float | None:
    """The number in another UCUM unit; None where the two do not measure the same."""
    line = _conversion(unit, wanted)
    return None if line is None else number * line[0] + line[1]


@functools.lru_cache(maxsize=1024)
def _conversion(unit: str, wanted: str) -> tuple[float, float] | None:
    ends = [to_base(number, name) for name in (unit, wanted) for number in (0, 1)]
    if any(end is None for end in ends):
        return None
    (zero, base), (one, _), (wanted_zero, wanted_base), (wanted_one, _) = (
        cast(tuple[float, str], end) for end in ends
    )
    if base != wanted_base or wanted_one == wanted_zero:
        return None
    step = wanted_one - wanted_zero
    return (one - zero) / step, (zero - wanted_zero) / step
