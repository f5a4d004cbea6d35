"""Can this value be? What cannot be is refused, what is unusual is stored with a warning.

Values are stored in the unit of their measure, so that a course can be drawn through them; the
reading as it was sent is kept beside the value. Limits: mappings/intake/limits.json.
"""

from __future__ import annotations

import functools
from decimal import Context, Decimal
from typing import Any

from service.intake.places import Findings, Path
from service.intake.tables import key_of, table
from service.standard.codec import Number
from service.standard.units import to_base
from service.therapy.measures import Measure

_UNITLESS = ("", "1", "{score}", "{count}")
_LEAST_DIGITS = 3


def unit_code(written: str) -> str:
    """The UCUM code of a unit as clinics write it; what is not in the table stays as it is."""
    code: str = table("kinds")["units"].get(written, written)
    return code


def is_unit(code: str) -> bool:
    """Whether it is a unit that can be understood."""
    return to_base(Decimal(1), code) is not None


def converted(value: Number, unit: str, wanted: str) -> Number | None:
    """The value in another unit, with the digits it had (at least three); None where it cannot be.

    A value that already has the unit stays as it was written.
    """
    if unit == wanted:
        return value
    lines = _line(unit, wanted)
    if lines is None:
        return None
    factor, offset = lines
    exact = value * factor + offset
    digits = max(_LEAST_DIGITS, len(value.as_tuple().digits))
    rounded = Context(prec=digits).create_decimal(exact).normalize()
    return Number(f"{rounded:f}")


@functools.lru_cache(maxsize=1024)
def _line(unit: str, wanted: str) -> tuple[Decimal, Decimal] | None:
    """Factor and shift from one unit to another of the same kind."""
    zero, one = to_base(Decimal(0), unit), to_base(Decimal(1), unit)
    nought, step = to_base(Decimal(0), wanted), to_base(Decimal(1), wanted)
    if zero is None or one is None or nought is None or step is None or one[1] != step[1]:
        return None
    slope = Decimal(repr(one[0])) - Decimal(repr(zero[0]))
    wide = Decimal(repr(step[0])) - Decimal(repr(nought[0]))
    return slope / wide, (Decimal(repr(zero[0])) - Decimal(repr(nought[0]))) / wide


def check_measured(value: Decimal, measure: Measure, findings: Findings, path: Path) -> None:
    """Judge a value in the unit of its measure."""
    row = table("limits")["measures"].get(key_of(measure), {})
    low, high = row.get("possible", (None, None))
    # The ends of a scale are as hard as what is physically possible.
    lows = [end for end in (low, measure.minimum) if end is not None]
    highs = [end for end in (high, measure.maximum) if end is not None]
    ends = (max(lows, default=None), min(highs, default=None))
    unit = measure.unit or ""
    if _judge(
        value, {"possible": ends, "usual": row.get("usual")}, measure.name, unit, findings, path
    ):
        whole = key_of(measure) in table("limits")["whole"]
        if whole and value != value.to_integral_value():
            findings.error(
                path, "value", f"{measure.name} is counted in whole numbers, not {value}"
            )


def check_dose(name: str, value: Decimal | int, findings: Findings, path: Path) -> None:
    """Judge a part of a dose."""
    row = table("limits")["doses"].get(name)
    if row is not None:
        _judge(Decimal(value), row, name, "", findings, path)


def check_length(minutes: Decimal, findings: Findings, path: Path) -> None:
    """Judge how long a session took."""
    _judge(minutes, table("limits")["session"]["minutes"], "A session", "minutes", findings, path)


def needs_unit(measure: Measure) -> bool:
    """Whether a value without a unit leaves a doubt."""
    return (measure.unit or "") not in _UNITLESS


def _judge(
    value: Decimal, row: dict[str, Any], name: str, unit: str, findings: Findings, path: Path
) -> bool:
    possible, usual = row["possible"], row.get("usual")
    shown = f"{value} {unit}".strip()
    if not _within(value, possible):
        text = f"{name} of {shown} is not possible ({_span(possible)})"
        findings.error(path, "value", text)
        return False
    if usual and not _within(value, usual):
        findings.warning(
            path, "business-rule", f"{name} of {shown} is unusual ({_span(usual)}): please check"
        )
    return True


def _within(value: Decimal, ends: Any) -> bool:
    low, high = ends
    return (low is None or value >= Decimal(str(low))) and (
        high is None or value <= Decimal(str(high))
    )


def _span(ends: Any) -> str:
    low, high = ends
    if low is None:
        return f"at most {high}"
    return f"at least {low}" if high is None else f"{low} to {high}"
