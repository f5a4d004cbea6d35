"""How does FHIR JSON come in and go out without losing anything?

Numbers keep the form they were written in (`1.00` stays `1.00`: R4, Datatypes, decimal, "the
precision of the decimal value has significance") and elements keep their order. What a strict
reader must not accept is refused with its place: duplicate names, NaN, invalid UTF-8, a byte
order mark, lone surrogates, deep nesting. R4 page: JSON Representation of Resources.
"""

from __future__ import annotations

import re
from decimal import Decimal, InvalidOperation
from json import JSONDecodeError, JSONDecoder
from typing import Any

import orjson

from service.errors import Malformed, TooLarge
from service.standard._json_places import first_fault, has_lone_surrogate, place

MAX_BYTES = 16 * 1024 * 1024
MAX_DEPTH = 100

_MAX_DIGITS = 1000
_MAX_EXPONENT = 9999
_BOM = b"\xef\xbb\xbf"
_SURROGATE_ESCAPE = re.compile(rb"\\u[dD][89a-fA-F]")
_BRACKETS = bytes.maketrans(b"{}", b"[]")
_NOT_MARKS = bytes(set(range(256)) - set(b'[]{}"'))


class Number(Decimal):
    """A JSON number, kept as it was written in `literal`; computes and compares as a Decimal."""

    __slots__ = ("literal",)
    literal: str

    def __new__(cls, value: str | int | Decimal) -> Number:
        number = super().__new__(cls, value)
        number.literal = value.literal if isinstance(value, Number) else str(value)
        return number

    def __reduce__(self) -> tuple[type[Number], tuple[str]]:
        return Number, (self.literal,)

    def __copy__(self) -> Number:
        return self

    def __deepcopy__(self, memo: Any) -> Number:
        return self


class _RefusedError(ValueError):
    """Noticed by a hook of the decoder, which does not know the place."""


def decode(raw: bytes, *, max_bytes: int = MAX_BYTES) -> Any:
    """The value of a JSON text; integers up to 64 bit as int, every other number as Number.

    Raises Malformed with the place of the fault (`line 3, column 7`), or TooLarge.
    """
    if len(raw) > max_bytes:
        raise TooLarge(f"The body has {len(raw)} bytes; {max_bytes} are allowed")
    text = _text(raw)
    if raw.count(b"{") + raw.count(b"[") > MAX_DEPTH and _is_deep(raw):
        raise _malformed(text, "Nested too deep")
    try:
        value = _decoder.decode(text)
    except JSONDecodeError as error:
        what = "The body is empty" if not text.strip() else f"Not JSON: {error.msg}"
        raise Malformed(what, location=place(text, error.pos)) from None
    except _RefusedError as error:
        raise _malformed(text, str(error)) from None
    except RecursionError:
        raise _malformed(text, "Nested too deep") from None
    if _SURROGATE_ESCAPE.search(raw) and has_lone_surrogate(text):
        raise _malformed(text, "Half of a surrogate pair")
    return value


def decode_resource(raw: bytes, *, max_bytes: int = MAX_BYTES) -> dict[str, Any]:
    """A JSON object that names its resource type."""
    value = decode(raw, max_bytes=max_bytes)
    if not isinstance(value, dict):
        raise Malformed("A resource must be a JSON object", location="line 1, column 1")
    kind = value.get("resourceType")
    if kind is None:
        raise Malformed("A resource must have a resourceType", expression="resourceType")
    if not isinstance(kind, str) or not kind:
        raise Malformed("resourceType must be a string", expression="resourceType")
    return value


def encode(value: Any) -> bytes:
    """Compact UTF-8 JSON in the order of the elements, numbers as they were written."""
    return orjson.dumps(value, default=_literal)


def indent(raw: bytes) -> bytes:
    """The pretty form of what `encode` wrote, numbers untouched."""
    value = _decoder.decode(raw.decode())
    return orjson.dumps(value, default=_literal, option=orjson.OPT_INDENT_2)


def same(a: Any, b: Any) -> bool:
    """Whether two decoded values are equal: names in any order, numbers as written."""
    if isinstance(a, dict):
        return isinstance(b, dict) and a.keys() == b.keys() and all(same(a[k], b[k]) for k in a)
    if isinstance(a, list):
        return isinstance(b, list) and len(a) == len(b) and all(map(same, a, b))
    if _is_number(a):
        return _is_number(b) and _written(a) == _written(b)
    return type(a) is type(b) and bool(a == b)


def _text(raw: bytes) -> str:
    if raw.startswith(_BOM):
        raise Malformed("A byte order mark is not allowed", location="line 1, column 1")
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError as error:
        before = raw[: error.start].decode("utf-8")
        where = place(before, len(before))
        raise Malformed("Not UTF-8", location=where) from None


def _is_deep(raw: bytes) -> bool:
    """Whether brackets nest too deep; each round takes away the innermost pairs."""
    marks = raw.replace(b"\\\\", b"").replace(b'\\"', b"").translate(_BRACKETS, _NOT_MARKS)
    left = b"".join(marks.replace(b'""', b"").split(b'"')[::2])
    for _ in range(MAX_DEPTH):
        left = left.replace(b"[]", b"")
        if not left:
            return False
    return b"[]" in left


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise _RefusedError("A name appears twice in one object")
    return found


def _integer(text: str) -> int | Number:
    if len(text) < 19 and text != "-0":
        return int(text)
    if len(text) <= 20:
        value = int(text)
        if -(2**63) <= value < 2**63 and text != "-0":
            return value
    return _number(text)


def _number(text: str) -> Number:
    if _is_absurd(text):
        raise _RefusedError("A number too long or too large to compute with")
    return Number(text)


def _is_absurd(text: str) -> bool:
    """Too long or too large: turning it into an int or float would cost time or overflow."""
    if len(text) > _MAX_DIGITS:
        return True
    try:
        return abs(Decimal(text).adjusted()) > _MAX_EXPONENT if "e" in text.lower() else False
    except InvalidOperation:
        return True


def _constant(text: str) -> Any:
    raise _RefusedError(f"{text} is not JSON")


_decoder = JSONDecoder(
    object_pairs_hook=_object,
    parse_float=_number,
    parse_int=_integer,
    parse_constant=_constant,
)


def _malformed(text: str, what: str) -> Malformed:
    fault = first_fault(text, MAX_DEPTH, _is_absurd)
    if fault is None:
        return Malformed(what)
    return Malformed(fault.text, location=place(text, fault.offset))


def _literal(value: Any) -> orjson.Fragment:
    if isinstance(value, Number):
        return orjson.Fragment(value.literal)
    if isinstance(value, Decimal) and value.is_finite():
        return orjson.Fragment(str(value))
    raise TypeError(f"{type(value).__name__} cannot be written as JSON")


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float | Decimal) and not isinstance(value, bool)


def _written(value: Any) -> str:
    return value.literal if isinstance(value, Number) else str(value)
