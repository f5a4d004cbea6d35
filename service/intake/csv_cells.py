"""What does a cell of a table say? Whole numbers, decimals, times, yes and no."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from service.standard.codec import Number

_NUMBER = re.compile(r"(-?)0*(\d+)(\.\d+)?")
_CLOCK = re.compile(r"\d{1,2}:\d{2}(:\d{2})?")
_BOOLEANS = {"true": True, "yes": True, "1": True, "false": False, "no": False, "0": False}
_LONGEST = 30


class CellError(ValueError):
    """A cell that cannot be read; its text says why."""


@dataclass(frozen=True, slots=True)
class Layout:
    """How a table is written; `delimiter` is found out where it is not said."""

    delimiter: str | None = None
    decimal_comma: bool = False
    date_format: str | None = None


@dataclass(frozen=True, slots=True)
class Context:
    """What the reading of a cell depends on: the layout, and the day of the session."""

    layout: Layout
    day: str | None = None


def read_cell(kind: str, text: str, context: Context) -> Any:
    """The value of a cell of one type (mappings/intake/columns.json). Raises CellError."""
    return _READERS[kind](text, context)


def day_of(text: str, layout: Layout) -> str:
    """A date as ISO 8601. Raises CellError."""
    forms = [layout.date_format] if layout.date_format else []
    for form in (*forms, "%Y-%m-%d"):
        try:
            return datetime.strptime(text, form).date().isoformat()
        except ValueError:
            continue
    wanted = layout.date_format or "a date as in 2026-11-19"
    raise CellError(f"{text[:_LONGEST]!r} is not of the form {wanted}")


def number(text: str, layout: Layout) -> Number:
    """A decimal with its digits as written. Raises CellError."""
    plain = text.replace(",", ".") if layout.decimal_comma else text
    if layout.decimal_comma and "." in text and "," in text:
        raise CellError(f"{text[:_LONGEST]!r} is no number: it has a point and a comma")
    found = _NUMBER.fullmatch(plain.replace("\u2212", "-"))
    if found is None or len(plain) > 60:
        hint = "" if "," not in text or layout.decimal_comma else " (set decimalComma for 21,5)"
        raise CellError(f"{text[:_LONGEST]!r} is no number{hint}")
    return Number(f"{found[1]}{found[2]}{found[3] or ''}")


def _text(text: str, _: Context) -> str:
    return text


def _integer(text: str, _: Context) -> int:
    if not re.fullmatch(r"-?\d{1,9}", text):
        raise CellError(f"{text[:_LONGEST]!r} is no whole number")
    return int(text)


def _decimal(text: str, context: Context) -> Number:
    return number(text, context.layout)


def _decimals(text: str, context: Context) -> list[Number]:
    return [number(part, context.layout) for part in re.split(r"[ |/]+", text) if part]


def _parts(text: str, context: Context) -> dict[str, Any]:
    """`name=number number; name=number`; `-` is a trial that gave none."""
    found: dict[str, Any] = {}
    for part in filter(None, (each.strip() for each in text.split(";"))):
        name, mark, values = (each.strip() for each in part.partition("="))
        if not (name and mark and values) or name in found:
            raise CellError(f"{part[:_LONGEST]!r} is not of the form name=number, once a name")
        numbers = [
            None if each == "-" else number(each, context.layout)
            for each in re.split(r"[ |/]+", values)
            if each
        ]
        found[name] = numbers if len(numbers) != 1 or numbers[0] is None else numbers[0]
    if not found:
        raise CellError("there is no part of the form name=number")
    return found


def _boolean(text: str, _: Context) -> bool:
    found = _BOOLEANS.get(text.lower())
    if found is None:
        raise CellError(f"{text[:_LONGEST]!r} is neither true nor false")
    return found


def _time(text: str, context: Context) -> str:
    """A time of day on the day of the session; anything else stays for `moments`."""
    if not _CLOCK.fullmatch(text):
        return text
    if context.day is None:
        raise CellError(f"{text[:_LONGEST]!r} is a time of day, and no date is stated")
    return f"{context.day}T{text.zfill(5) if len(text) < 6 else text.zfill(8)}"


def _answer(text: str, context: Context) -> Any:
    try:
        return number(text, context.layout)
    except CellError:
        return {"true": True, "false": False}.get(text.lower(), text)


_READERS: Mapping[str, Callable[[str, Context], Any]] = {
    "text": _text,
    "integer": _integer,
    "decimal": _decimal,
    "decimals": _decimals,
    "parts": _parts,
    "boolean": _boolean,
    "date": _text,
    "time": _time,
    "answer": _answer,
    "clinic": _text,
    "zone": _text,
}
