"""Which numbers does a searched number or quantity stand for?

R4 search page, #number, #quantity and #prefix: `5.4` is every number from 5.35 up to, but not
with, 5.45; the comparing prefixes take it exactly; `ap` is a tenth to each side.
"""

from __future__ import annotations

import re
from decimal import Context, Decimal, InvalidOperation
from typing import get_args

from service.standard.searching.escapes import split, unescape
from service.standard.searching.query import Amount, Prefix, QuantityValue
from service.standard.searching.refusals import wrong_value
from service.standard.units import SYSTEM as UCUM
from service.standard.units import to_base

PREFIXES = frozenset(get_args(Prefix))

_NUMBER = re.compile(r"([a-z]{2})?([+-]?[0-9]{1,40}(?:\.[0-9]{1,40})?)([eE][+-]?[0-9]{1,3})?")
_CONTEXT = Context(prec=100)
_LIMIT = Decimal("1e300")


def number_value(name: str, text: str) -> QuantityValue:
    """`[prefix][number]`."""
    prefix, exact, low, high = _read(name, unescape(text))
    return QuantityValue(prefix, Amount(float(exact), float(low), float(high)))


def quantity_value(name: str, text: str) -> QuantityValue:
    """`[prefix][number]`, `…|[system]|[code]` or `…||[code]`."""
    parts = [unescape(part) for part in split(text, "|")]
    if len(parts) not in (1, 3):
        raise wrong_value(name, f"{text[:80]!r} is neither a number nor number|system|code")
    prefix, exact, low, high = _read(name, parts[0])
    amount = Amount(float(exact), float(low), float(high))
    system, code = (parts[1] or None, parts[2] or None) if len(parts) == 3 else (None, None)
    if system != UCUM or code is None:
        return QuantityValue(prefix, amount, system, code)
    ends = [to_base(end, code) for end in (exact, low, high)]
    known = [end for end in ends if end is not None]
    if len(known) < len(ends):
        return QuantityValue(prefix, amount, system, code)
    base = Amount(*(value for value, _ in known))
    return QuantityValue(prefix, amount, system, code, base, known[0][1])


def _read(name: str, text: str) -> tuple[Prefix, Decimal, Decimal, Decimal]:
    shape = _NUMBER.fullmatch(text)
    if shape is None or (shape[1] and shape[1] not in PREFIXES):
        raise wrong_value(name, f"{text[:80]!r} is not a number with a prefix of R4 or none")
    try:
        exact = Decimal(shape[2] + (shape[3] or ""))
    except InvalidOperation:
        raise wrong_value(name, f"{text[:80]!r} is not a number") from None
    if abs(exact) > _LIMIT:
        raise wrong_value(name, f"{text[:80]!r} is too great")
    prefix: Prefix = shape[1] or "eq"  # type: ignore[assignment]
    margin = abs(exact) / 10 if prefix == "ap" else _half_unit(shape[2], shape[3])
    return prefix, exact, _CONTEXT.subtract(exact, margin), _CONTEXT.add(exact, margin)


def _half_unit(digits: str, exponent: str | None) -> Decimal:
    """Half a unit of the last digit.

    With an exponent the last digit counts as followed by another: the worked example of R4 reads
    `1e2` as 95 up to 105.
    """
    decimals = len(digits.partition(".")[2])
    place = -decimals if exponent is None else int(exponent[1:]) - decimals - 1
    return Decimal(5).scaleb(place - 1)
