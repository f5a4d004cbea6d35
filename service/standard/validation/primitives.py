"""Is this JSON value a value of that primitive datatype? (R4, Data Types, Primitive Types)

Strings must not hold control characters but tab and line ends: they would not survive every
store. Each test takes the decoded JSON value of any kind and must be quick on ordinary ones.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date
from decimal import Decimal
from typing import Any, NamedTuple

from service.standard.codec import Number
from service.standard.definitions import definitions

MAX_CHARACTERS = 1024 * 1024
"""R4: "strings SHALL NOT exceed 1MB (1024*1024 characters) in size"."""

_CONTROL = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff]")
_LETTER = "[0-9A-Za-z+/]"
_BASE64 = re.compile(
    rf"\s*+(?:{_LETTER}{{4}}\s*+)*+(?:(?:{_LETTER}{{2}}==|{_LETTER}{{3}}=)\s*+)?", re.ASCII
)
"""Groups of four with white space between them, as R4 has it."""


class Datatype(NamedTuple):
    """A test, and what it asks for in words."""

    holds: Callable[[Any], bool]
    expected: str


def is_clean(text: str) -> bool:
    """Whether these characters may be kept."""
    return text.isprintable() or _CONTROL.search(text) is None


def _pattern(name: str) -> re.Pattern[str]:
    primitive = definitions().primitive(name)
    assert primitive is not None
    return re.compile(primitive.pattern)


_ID = re.compile(r"[A-Za-z0-9\-.]{1,64}")
_CODE = re.compile(r"[^\s]+( [^\s]+)*", re.ASCII)
_NO_SPACE = re.compile(r"\S+", re.ASCII)
_DATE = _pattern("date")
_DATE_TIME = _pattern("dateTime")
_INSTANT = _pattern("instant")
_TIME = _pattern("time")
_OID = _pattern("oid")
_UUID = _pattern("uuid")


def _boolean(value: Any) -> bool:
    return value is True or value is False


def _integer(value: Any) -> bool:
    return type(value) is int and -(2**31) <= value < 2**31


def _unsigned(value: Any) -> bool:
    return type(value) is int and 0 <= value < 2**31


def _positive(value: Any) -> bool:
    return type(value) is int and 0 < value < 2**31


def _decimal(value: Any) -> bool:
    kind = type(value)
    if kind is int or kind is Number:
        return True
    return kind in (float, Decimal) and Decimal(value).is_finite()


def _string(value: Any) -> bool:
    if type(value) is not str or not value or len(value) > MAX_CHARACTERS:
        return False
    return value.isprintable() or _CONTROL.search(value) is None


def _code(value: Any) -> bool:
    if type(value) is not str:
        return False
    if value.isprintable() and " " not in value:
        return value != ""
    return _CODE.fullmatch(value) is not None and _string(value)


def _id(value: Any) -> bool:
    return type(value) is str and _ID.fullmatch(value) is not None


def _uri(value: Any) -> bool:
    if type(value) is not str or not value or len(value) > MAX_CHARACTERS:
        return False
    if (value.isprintable() and " " not in value) or _is_odd_uri(value):
        return not value.startswith(("oid:", "uuid:"))
    return False


def _is_odd_uri(value: str) -> bool:
    return _NO_SPACE.fullmatch(value) is not None and _CONTROL.search(value) is None


def _oid(value: Any) -> bool:
    return type(value) is str and _OID.fullmatch(value) is not None


def _uuid(value: Any) -> bool:
    return type(value) is str and _UUID.fullmatch(value) is not None


def _base64(value: Any) -> bool:
    if type(value) is not str or not value or value.isspace():
        return False
    return _BASE64.fullmatch(value) is not None


def _date(value: Any) -> bool:
    return type(value) is str and _DATE.fullmatch(value) is not None and _is_day(value)


def _date_time(value: Any) -> bool:
    return type(value) is str and _DATE_TIME.fullmatch(value) is not None and _is_day(value)


def _instant(value: Any) -> bool:
    return type(value) is str and _INSTANT.fullmatch(value) is not None and _is_day(value)


def _time(value: Any) -> bool:
    return type(value) is str and _TIME.fullmatch(value) is not None


def _is_day(text: str) -> bool:
    """Whether the calendar has this day; the pattern has seen to the rest."""
    if text[8:10] <= "28":
        return True
    try:
        date(int(text[:4]), int(text[5:7]), int(text[8:10]))
    except ValueError:
        return False
    return True


DATATYPES: dict[str, Datatype] = {
    "boolean": Datatype(_boolean, "true or false"),
    "integer": Datatype(_integer, "a whole number of 32 bit, without quotes"),
    "unsignedInt": Datatype(_unsigned, "a whole number from 0 to 2147483647, without quotes"),
    "positiveInt": Datatype(_positive, "a whole number from 1 to 2147483647, without quotes"),
    "decimal": Datatype(_decimal, "a number, without quotes"),
    "string": Datatype(_string, "a string of 1 to 1048576 characters, no control characters"),
    "markdown": Datatype(_string, "a string of 1 to 1048576 characters, no control characters"),
    "code": Datatype(_code, "a code: a string without outer or double white space"),
    "id": Datatype(_id, "an id: 1 to 64 of the characters A-Z a-z 0-9 - ."),
    "uri": Datatype(_uri, "a URI: a string without white space; OIDs start with urn:oid:"),
    "url": Datatype(_uri, "a URL: a string without white space"),
    "canonical": Datatype(_uri, "a canonical URL: a string without white space"),
    "oid": Datatype(_oid, "an OID that starts with urn:oid:"),
    "uuid": Datatype(_uuid, "a UUID in lower case that starts with urn:uuid:"),
    "base64Binary": Datatype(_base64, "base64 text (RFC 4648)"),
    "date": Datatype(_date, "a date of the calendar: YYYY, YYYY-MM or YYYY-MM-DD"),
    "dateTime": Datatype(
        _date_time,
        "a date of the calendar: YYYY, YYYY-MM, YYYY-MM-DD or YYYY-MM-DDThh:mm:ss with a zone",
    ),
    "instant": Datatype(_instant, "a time to the second at least, with a zone"),
    "xhtml": Datatype(_string, "XHTML as a string of 1 to 1048576 characters"),
    "time": Datatype(_time, "a time hh:mm:ss without zone"),
}
