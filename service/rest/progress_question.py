"""What was asked of $progress? `period`, `measure`, `look-back` and `format`, or a refusal."""

from __future__ import annotations

from datetime import date
from typing import Any, Literal, cast

from service.errors import Invalid, NotSupported
from service.rest.negotiation import COMMON
from service.rest.parameters import only
from service.standard.partial_dates import interval
from service.therapy.course.course import Question
from service.therapy.moments import day_of

Form = Literal["parameters", "bundle", "report"]

_KNOWN = frozenset({"period", "measure", "format", "look-back"}) | COMMON
_DAY = 86_400_000_000
_EPOCH = date(1970, 1, 1).toordinal()
_MOST_MONTHS = 1200


def asked_of(given: list[tuple[str, Any]], today: int) -> tuple[Question, Form]:
    """The question and the form of the answer. Raises NotSupported or Invalid."""
    for name, _ in given:
        if name not in _KNOWN:
            raise NotSupported(
                f"$progress takes period, measure, look-back and format, not {name[:40]!r}",
                location=f"http.{name[:40]}",
            )
    return _question(given, today), _form(given)


def _question(given: list[tuple[str, Any]], today: int) -> Question:
    first, last = _period(only(given, "period"))
    return Question(today, first, last, _look_back(only(given, "look-back")), _measures(given))


def _form(given: list[tuple[str, Any]]) -> Form:
    form = only(given, "format")
    if form is None:
        return "parameters"
    if form not in ("parameters", "bundle", "report"):
        raise Invalid(
            f"format is parameters, bundle or report, not {str(form)[:40]!r}",
            code="value",
            location="http.format",
        )
    return cast(Form, form)


def _look_back(value: Any) -> int | None:
    if value is None:
        return None
    text = str(value)
    if not (text.isascii() and text.isdecimal() and len(text) < 5 and int(text) <= _MOST_MONTHS):
        raise Invalid(
            f"look-back is a whole number of months, not {text[:40]!r}",
            code="value",
            location="http.look-back",
        )
    return int(text)


def _measures(given: list[tuple[str, Any]]) -> frozenset[tuple[str | None, str]]:
    found: set[tuple[str | None, str]] = set()
    for name, value in given:
        if name != "measure":
            continue
        if isinstance(value, dict):
            tokens = [f"{value.get('system') or ''}|{value.get('code') or ''}"]
            tokens = [token if value.get("system") else token[1:] for token in tokens]
        else:
            tokens = str(value).split(",")
        for token in tokens:
            system, bar, code = token.rpartition("|")
            if not code:
                raise Invalid(
                    "measure is a code, or system|code", code="value", location="http.measure"
                )
            found.add((system if bar else None, code))
    return frozenset(found)


def _period(value: Any) -> tuple[int | None, int | None]:
    """First and last day of a Period, of `start/end` (either may be empty), or of a date."""
    if value is None:
        return None, None
    if isinstance(value, dict):
        start, end = value.get("start") or "", value.get("end") or ""
    elif "/" in str(value):
        start, _, end = str(value).partition("/")
    else:
        start = end = str(value)
    try:
        first = _day(start, 0) if start else None
        last = _day(end, 1) if end else None
    except ValueError:
        raise Invalid(
            f"period is a date or start/end, not {str(value)[:60]!r}",
            code="value",
            location="http.period",
        ) from None
    if first is not None and last is not None and last < first:
        raise Invalid("period ends before it starts", code="value", location="http.period")
    return first, last


def _day(text: str, end: int) -> int:
    bound = interval(text.replace(" ", "+"))[end]
    day = day_of(text) if len(text) >= 10 else None
    return bound // _DAY + _EPOCH if day is None else day
