"""What was asked of Observation/$stats? The parameters of its OperationDefinition, or a refusal."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from decimal import Decimal, InvalidOperation
from typing import Any

from service.errors import Invalid, NotSupported
from service.rest.negotiation import COMMON
from service.rest.parameters import only
from service.standard.partial_dates import interval
from service.therapy.statistics import STATISTICS, TOTAL

_KNOWN = frozenset(
    {"subject", "code", "system", "coding", "duration", "period", "statistic", "include", "limit"}
)
_ALSO = {"max": "maximum", "min": "minimum"}
"""Other names in the definition of the parameter."""
_MOST_HOURS = 24 * 366 * 200
_MOST_CODES = 20

Code = tuple[str, str]


@dataclass(frozen=True, slots=True)
class Question:
    """Of whose measurements, by which codes, within which times, which statistics are wanted.

    `period` is a Period; `limit` the number of sources to be shown, None for all, 0 for none.
    """

    subject: str
    codes: tuple[Code, ...]
    statistics: tuple[str, ...]
    period: dict[str, str]
    limit: int | None


def asked_of(given: list[tuple[str, Any]], now: datetime) -> Question:
    """The question. Raises NotSupported or Invalid."""
    for name, _ in given:
        if name not in _KNOWN | COMMON:
            raise NotSupported(
                f"$stats takes {', '.join(sorted(_KNOWN))}, not {name[:40]!r}",
                location=f"http.{name[:40]}",
            )
    subject = only(given, "subject")
    if not subject or not isinstance(subject, str):
        raise _wrong("subject", "$stats needs one subject", "required")
    if "/" not in subject:
        raise _wrong("subject", "it is a reference, as Patient/123")
    return Question(subject, _codes(given), _statistics(given), _period(given, now), _limit(given))


def _codes(given: list[tuple[str, Any]]) -> tuple[Code, ...]:
    system = only(given, "system")
    codes = [str(value) for name, value in given if name == "code"]
    codings = [value for name, value in given if name == "coding"]
    if codes and not system:
        raise _wrong("system", "a code needs its system", "required")
    found = [(str(system), code) for code in codes]
    for coding in codings:
        if isinstance(coding, str):
            # As a token, where there is no body.
            of, _, code = coding.rpartition("|")
            coding = {"system": of, "code": code}
        if not coding.get("system") or not coding.get("code"):
            raise _wrong("coding", "it needs system and code")
        found.append((coding["system"], coding["code"]))
    if not found:
        raise _wrong("code", "$stats needs code and system, or coding", "required")
    if len(found) > _MOST_CODES:
        raise _wrong("code", f"more than {_MOST_CODES} codes", "too-costly")
    return tuple(dict.fromkeys(found))


def _statistics(given: list[tuple[str, Any]]) -> tuple[str, ...]:
    asked = [part for name, value in given if name == "statistic" for part in str(value).split(",")]
    if not asked:
        raise _wrong("statistic", "$stats needs a statistic", "required")
    for code in asked:
        if code == "regression":
            raise NotSupported("statistic: regression is not offered", location="http.statistic")
        if code not in STATISTICS and code not in (*_ALSO, TOTAL):
            listed = ", ".join([*STATISTICS, TOTAL])
            raise _wrong("statistic", f"{code[:40]!r} is none of {listed}", "code-invalid")
    return tuple(dict.fromkeys(_ALSO.get(code, code) for code in asked))


def _period(given: list[tuple[str, Any]], now: datetime) -> dict[str, str]:
    duration, period = only(given, "duration"), only(given, "period")
    if duration is not None:
        if period is not None:
            raise _wrong("period", "it is for where no duration is given")
        return _last(duration, now)
    if period is None:
        return {}
    if not isinstance(period, dict):
        raise _wrong("period", "it is posted in a Parameters resource")
    kept = {name: period[name] for name in ("start", "end") if name in period}
    if len(kept) == 2 and interval(kept["start"])[0] > interval(kept["end"])[1]:
        raise _wrong("period", "it ends before it starts")
    return kept


def _last(duration: Any, now: datetime) -> dict[str, str]:
    try:
        hours = Decimal(str(duration))
    except InvalidOperation:
        hours = Decimal("NaN")
    if not hours.is_finite() or not 0 < hours <= _MOST_HOURS:
        raise _wrong("duration", f"{str(duration)[:40]!r} is not a number of hours above 0")
    start = now.astimezone(UTC) - timedelta(hours=float(hours))
    ends = (start, now.astimezone(UTC))
    first, last = (end.isoformat(timespec="milliseconds") for end in ends)
    return {"start": first, "end": last}


def _limit(given: list[tuple[str, Any]]) -> int | None:
    include = str(only(given, "include")).lower()
    if include not in ("true", "false", "none"):
        raise _wrong("include", f"{include[:40]!r} is neither true nor false")
    limit = only(given, "limit")
    if include != "true":
        return 0
    if limit is None:
        return None
    text = str(limit)
    if not (text.isascii() and text.isdecimal() and len(text) < 10 and int(text) > 0):
        raise _wrong("limit", f"{text[:40]!r} is not a whole number above 0")
    return int(text)


def _wrong(name: str, text: str, code: str = "value") -> Invalid:
    return Invalid(f"{name}: {text}", code=code, location=f"http.{name}")
