"""How are the small parts of a resource written? Datatypes and narrative of R4.

Datatypes: http://hl7.org/fhir/R4/datatypes.html; narrative: http://hl7.org/fhir/R4/narrative.html.
The clinic lies where clocks are never changed, seven hours behind UTC.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, datetime, time, timedelta, timezone
from html import escape

from .codes import UCUM, Json

IDS = "https://juniper-bend.example/ids/"
"""Identifier systems of the clinic's own record system."""

_ZONE = timezone(timedelta(hours=-7))

_SYMBOLS = {
    "{score}": "points",
    "{count}": "times",
    "/s": "per second",
    "/min": "per minute",
    "d": "days",
}


def identifier(kind: str, value: str) -> Json:
    """An Identifier of the clinic's system for one kind of record."""
    return {"system": IDS + kind, "value": value}


def reference(target: str, display: str | None = None) -> Json:
    """A literal Reference."""
    return {"reference": target} | ({"display": display} if display else {})


def by_identifier(resource_type: str, kind: str, value: str) -> Json:
    """A conditional reference, as transactions allow: the one resource with this identifier."""
    return {"reference": f"{resource_type}?identifier={IDS}{kind}|{value}"}


def quantity(value: float, unit: str) -> Json:
    """A Quantity with a UCUM unit."""
    return {"value": value, "unit": _SYMBOLS.get(unit, unit), "system": UCUM, "code": unit}


def moment(day: date, at: time, minutes: int = 0) -> str:
    """A dateTime with the clinic's offset, some minutes after the given time."""
    return (datetime.combine(day, at, _ZONE) + timedelta(minutes=minutes)).isoformat()


def period(start: str, end: str | None = None) -> Json:
    """A Period."""
    return {"start": start} | ({"end": end} if end else {})


def annotation(author: str, at: str, text: str) -> Json:
    """An Annotation by a member of staff."""
    return {"authorReference": reference(author), "time": at, "text": text}


def narrative(title: str, rows: Iterable[tuple[str, str]], lines: Sequence[str] = ()) -> Json:
    """A generated Narrative: a title, a table of label and value, and lines of text."""
    table = "".join(f"<tr><td>{escape(a)}</td><td>{escape(b)}</td></tr>" for a, b in rows)
    body = f"<p><b>{escape(title)}</b></p>"
    if table:
        body += f"<table><tbody>{table}</tbody></table>"
    body += "".join(f"<p>{escape(line)}</p>" for line in lines)
    div = f'<div xmlns="http://www.w3.org/1999/xhtml">{body}</div>'
    return {"status": "generated", "div": div}
