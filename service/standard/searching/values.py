"""How is one value of a search parameter read? One function for each kind.

R4 search page: #string, #token, #reference, #date, #uri, #composite. Each takes the name of the
parameter (for the refusal), the parameter, the value with its escapes, and `Reading`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from service.standard.definitions import Kind
from service.standard.partial_dates import interval
from service.standard.searching.amounts import PREFIXES, number_value, quantity_value
from service.standard.searching.escapes import split, unescape
from service.standard.searching.query import (
    CompositeValue,
    DateValue,
    Prefix,
    TextValue,
    TokenValue,
    UriValue,
    Value,
)
from service.standard.searching.references import reference_value
from service.standard.searching.refusals import wrong_value
from service.standard.terminology.for_search import Expander


@dataclass(frozen=True, slots=True)
class Reading:
    """What the meaning of a value depends on: our base URL with a slash at its end, the time
    (µs since 1970), and what value sets and code systems say."""

    base: str
    now: int
    expander: Expander


def read_value(name: str, kind: Kind, text: str, reading: Reading) -> Value:
    """A value of a parameter without modifier. Raises Invalid where it is none."""
    return _KINDS[kind](name, text, reading)


def composite_value(name: str, kinds: tuple[Kind, ...], text: str, reading: Reading) -> Value:
    """`a$b`, one part for each component."""
    parts = split(text, "$")
    if len(parts) != len(kinds):
        raise wrong_value(name, f"{text[:80]!r} has not {len(kinds)} parts divided by $")
    return CompositeValue(
        tuple(
            read_value(name, kind, part, reading) for kind, part in zip(kinds, parts, strict=True)
        )
    )


def token_value(name: str, text: str, reading: Reading | None = None) -> TokenValue:
    """`code`, `system|code`, `|code` (no system) or `system|` (any code)."""
    parts = [unescape(part) for part in split(text, "|")]
    if len(parts) == 1:
        return TokenValue(None, parts[0])
    if len(parts) > 2 or not any(parts):
        raise wrong_value(name, f"{text[:80]!r} is neither code nor system|code")
    return TokenValue(parts[0], parts[1] or None)


def typed_identifier(name: str, text: str) -> TokenValue:
    """`system|code|value` of `:of-type`, all three needed: a token whose system is the type."""
    parts = [unescape(part) for part in split(text, "|")]
    if len(parts) != 3 or not all(parts):
        raise wrong_value(name, f"{text[:80]!r} is not system|code|value")
    return TokenValue(f"{parts[0]}|{parts[1]}", parts[2])


def text_value(name: str, text: str, reading: Reading | None = None) -> TextValue:
    """Any text."""
    return TextValue(unescape(text))


def uri_value(name: str, text: str, reading: Reading | None = None) -> UriValue:
    """A URI as it stands."""
    return UriValue(unescape(text))


def date_value(name: str, text: str, reading: Reading) -> DateValue:
    """`[prefix][date]`; a `+` before the zone may have arrived as a space."""
    text = unescape(text)
    prefix: Prefix = "eq"
    if text[:2].isalpha():
        if text[:2] not in PREFIXES:
            raise wrong_value(name, f"{text[:2]!r} is not a prefix of R4")
        prefix, text = text[:2], text[2:]  # type: ignore[assignment]
    try:
        low, high = interval(text.replace(" ", "+"))
    except ValueError:
        raise wrong_value(name, f"{text[:80]!r} is not a date") from None
    if prefix == "ap":
        margin = abs(reading.now - low) // 10
        low, high = low - margin, high + margin
    return DateValue(prefix, low, high)


def _number(name: str, text: str, reading: Reading) -> Value:
    return number_value(name, text)


def _quantity(name: str, text: str, reading: Reading) -> Value:
    return quantity_value(name, text)


def _reference(name: str, text: str, reading: Reading) -> Value:
    return reference_value(name, text, reading.base)


def _unreadable(name: str, text: str, reading: Reading) -> Value:
    raise AssertionError("composite and special parameters are read elsewhere")


_Reader = Callable[[str, str, Reading], Value]
_KINDS: dict[Kind, _Reader] = {
    "string": text_value,
    "token": token_value,
    "reference": _reference,
    "date": date_value,
    "number": _number,
    "quantity": _quantity,
    "uri": uri_value,
    "composite": _unreadable,
    "special": _unreadable,
}
