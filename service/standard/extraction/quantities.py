"""Which amount, in which unit, does a value state? FHIR R4, Search, sections quantity, number.

Amounts are closed ranges of floats. A comparator or a missing end opens the range to the
greatest float there is, since infinity does not travel well through databases.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable
from decimal import Decimal
from typing import Any

from service.standard.definitions import Element
from service.standard.extraction.rows import SearchValues, Use, Writer
from service.standard.extraction.text import clip
from service.standard.units import SYSTEM as UCUM
from service.standard.units import to_base

OPEN = sys.float_info.max
CURRENCIES = "urn:iso:std:iso:4217"

Ends = tuple[float, float]


def _add(
    params: list[int], ends: Ends, unit: tuple[str, str, str], grp: int, rows: SearchValues
) -> None:
    system, code, human = unit
    base = _in_base(ends, code) if system == UCUM else None
    low, high = ends
    base_low, base_high, name = base or (0.0, 0.0, "")
    for param in params:
        rows.quantities.append(
            (
                param,
                low,
                high,
                clip(system),
                clip(code),
                clip(human),
                grp,
                base_low,
                base_high,
                name,
            )
        )


def _in_base(ends: Ends, code: str) -> tuple[float, float, str] | None:
    low = ends[0] if ends[0] == -OPEN else to_base(ends[0], code)
    high = low if ends[1] == ends[0] else ends[1] if ends[1] == OPEN else to_base(ends[1], code)
    if low is None or high is None:
        return None
    names = [end[1] for end in (low, high) if isinstance(end, tuple)]
    if not names:
        return None
    return (
        _finite(low[0] if isinstance(low, tuple) else low),
        _finite(high[0] if isinstance(high, tuple) else high),
        names[0],
    )


def _finite(value: Decimal | float) -> float:
    return max(-OPEN, min(OPEN, float(value)))


def _ends(value: float, comparator: str | None) -> Ends:
    match comparator:
        case "<":
            return -OPEN, math.nextafter(value, -OPEN)
        case "<=":
            return -OPEN, value
        case ">":
            return math.nextafter(value, OPEN), OPEN
        case ">=":
            return value, OPEN
    return value, value


def _unit(quantity: Any) -> tuple[str, str, str]:
    return quantity.get("system") or "", quantity.get("code") or "", quantity.get("unit") or ""


def _quantity(uses: tuple[Use, ...], element: Element) -> Writer:
    params = [use.param for use in uses]

    def write(value: Any, grp: int, rows: SearchValues) -> None:
        amount = value.get("value")
        if amount is not None:
            ends = _ends(_finite(amount), value.get("comparator"))
            _add(params, ends, _unit(value), grp, rows)

    return write


def _money(uses: tuple[Use, ...], element: Element) -> Writer:
    params = [use.param for use in uses]

    def write(value: Any, grp: int, rows: SearchValues) -> None:
        if "value" in value:
            amount = _finite(value["value"])
            currency = value.get("currency") or ""
            unit = (CURRENCIES if currency else "", currency, "")
            _add(params, (amount, amount), unit, grp, rows)

    return write


def _range(uses: tuple[Use, ...], element: Element) -> Writer:
    params = [use.param for use in uses]

    def write(value: Any, grp: int, rows: SearchValues) -> None:
        low, high = value.get("low", {}), value.get("high", {})
        if "value" in low or "value" in high:
            ends = _finite(low.get("value", -OPEN)), _finite(high.get("value", OPEN))
            _add(params, ends, _unit(low or high), grp, rows)

    return write


def _sampled(uses: tuple[Use, ...], element: Element) -> Writer:
    """The span of the samples; `E`, `U`, `L` are no values."""
    params = [use.param for use in uses]

    def write(value: Any, grp: int, rows: SearchValues) -> None:
        samples = [Decimal(text) for text in value.get("data", "").split() if text not in "EUL"]
        if samples:
            origin, factor = value["origin"], Decimal(str(value.get("factor", 1)))
            start = Decimal(str(origin.get("value", 0)))
            ends = sorted(_finite(start + factor * f(samples)) for f in (min, max))
            _add(params, (ends[0], ends[1]), _unit(origin), grp, rows)

    return write


def _number(uses: tuple[Use, ...], element: Element) -> Writer:
    params = [use.param for use in uses]

    def write(value: Any, grp: int, rows: SearchValues) -> None:
        amount = _finite(value)
        _add(params, (amount, amount), ("", "", ""), grp, rows)

    return write


QUANTITIES: dict[str, Callable[[tuple[Use, ...], Element], Writer]] = {
    "Quantity": _quantity,
    "Age": _quantity,
    "Count": _quantity,
    "Distance": _quantity,
    "Duration": _quantity,
    "Money": _money,
    "Range": _range,
    "SampledData": _sampled,
    "decimal": _number,
    "integer": _number,
    "positiveInt": _number,
    "unsignedInt": _number,
}
