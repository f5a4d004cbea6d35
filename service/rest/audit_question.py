"""Which AuditEvents are asked for? The search parameters that the audit log answers.

R4 search page and AuditEvent: `date`, `entity`, `patient`, `agent`, `altid`, `_id`; the newest
first, as `_sort=-date` says.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from service.errors import Issue
from service.standard.partial_dates import interval
from service.standard.registry import RESOURCE_TYPES
from service.standard.search_query import ignored_parameter
from service.standard.searching.escapes import split
from service.standard.searching.query import SearchQuery, Shape
from service.standard.searching.references import reference_value
from service.standard.searching.refusals import UnknownParameterError, not_offered, wrong_value
from service.standard.searching.values import token_value
from service.store.audit.find import EARLIEST, LATEST, Recorded, Wanted, one
from service.store.caseload import Condition
from service.store.connection import Connection
from service.store.searching.cursors import unseal

PARAMETERS = ("_id", "agent", "altid", "date", "entity", "patient")
"""What is claimed."""

_DATE = re.compile(r"(eq|ge|gt|sa|le|lt|eb)?([0-9].*)")
_NUMBER = re.compile("[1-9][0-9]{0,17}")
_AGENTS = (
    "Device",
    "Organization",
    "Patient",
    "Practitioner",
    "PractitionerRole",
    "RelatedPerson",
)
_MOST = 50
_SILENT = frozenset({"_format", "_pretty"})


@dataclass(slots=True)
class Question:
    """What is looked for; `numbers` where rows are asked for by number."""

    query: SearchQuery
    base: str
    entities: list[tuple[str, ...]] = field(default_factory=list)
    agents: tuple[str, ...] = ()
    since: int = EARLIEST
    until: int = LATEST
    numbers: tuple[int, ...] | None = None
    before: tuple[int, int] = (LATEST, LATEST)

    def wanted(self, allowed: Condition | None) -> Wanted:
        """The same for the store."""
        return Wanted(
            tuple(self.entities), self.agents, self.since, self.until, self.before, allowed
        )

    def among(self, connection: Connection, wanted: Wanted) -> list[Recorded]:
        """The rows with the numbers asked for that meet the rest."""
        found = [one(connection, number, wanted.allowed) for number in self.numbers or ()]
        return sorted(
            (row for row in found if row is not None and self._is_met(row)),
            key=lambda row: (row.at, row.n),
            reverse=True,
        )

    def _is_met(self, row: Recorded) -> bool:
        about = row.access.references()
        return (
            self.since <= row.at <= self.until
            and (not self.agents or row.access.agent in self.agents)
            and all(about.intersection(names) for names in self.entities)
        )


def question(
    pairs: Sequence[tuple[str, str]],
    base: str,
    patient: str | None,
    *,
    strict: bool,
    secret: bytes,
) -> Question:
    """Read the parameters; `patient` is the client in whose record is looked.

    Raises Invalid or NotSupported with the parameter named.
    """
    found = Question(SearchQuery(("AuditEvent",), ()), base)
    if patient is not None:
        found.entities.append((f"Patient/{patient}",))
    understood: list[tuple[str, str]] = []
    ignored: list[Issue] = []
    shape = Shape()
    for name, value in pairs:
        if name in _SILENT:
            continue
        try:
            if not value:
                raise UnknownParameterError("it has no value")
            if name in ("_count", "_cursor", "_sort"):
                shape = _shaped(shape, name, value)
            else:
                _take(found, name, value)
            understood.append((name, value))
        except UnknownParameterError as reason:
            ignored.append(ignored_parameter(name, str(reason), strict))
    found.query = SearchQuery(("AuditEvent",), (), shape, tuple(understood), tuple(ignored))
    if shape.cursor is not None:
        at, number = unseal(shape.cursor, found.query, secret).key
        found.before = (int(str(at)), int(str(number)))
    return found


def _shaped(shape: Shape, name: str, value: str) -> Shape:
    if name == "_cursor":
        return replace(shape, cursor=value)
    if name == "_sort":
        if value != "-date":
            raise not_offered("_sort", "AuditEvents come with the newest first: -date")
        return shape
    if not (value.isascii() and value.isdecimal() and len(value) < 10):
        raise wrong_value("_count", f"{value[:40]!r} is not a whole number")
    return replace(shape, count=int(value))


def _take(found: Question, name: str, value: str) -> None:
    values = split(value, ",")
    if len(values) > _MOST:
        raise wrong_value(name, f"more than {_MOST} values")
    match name:
        case "_id":
            numbers = [int(text) for text in values if _NUMBER.fullmatch(text)]
            known = found.numbers
            found.numbers = tuple(
                number for number in dict.fromkeys(numbers) if known is None or number in known
            )
        case "date":
            _take_date(found, values)
        case "entity":
            found.entities.append(_references(name, values, found.base, RESOURCE_TYPES))
        case "patient":
            found.entities.append(_references(name, values, found.base, ("Patient",)))
        case "agent":
            references = _references(name, values, found.base, _AGENTS)
            found.entities.append(tuple(f"agent {reference}" for reference in references))
        case "agent:identifier" | "altid":
            tokens = [token_value(name, text) for text in values]
            names = tuple(token.code or "" for token in tokens)
            found.agents = (
                tuple(set(found.agents).intersection(names)) or ("",) if found.agents else names
            )
        case _:
            raise UnknownParameterError("AuditEvents are not searched by it")


def _take_date(found: Question, values: Sequence[str]) -> None:
    if len(values) > 1:
        raise not_offered("date", "one value, or a second parameter for the other end")
    shape = _DATE.fullmatch(values[0])
    if shape is None:
        raise wrong_value("date", f"{values[0][:40]!r} is not a date with eq, ge, gt, le or lt")
    try:
        low, high = interval(shape[2].replace(" ", "+"))
    except ValueError:
        raise wrong_value("date", f"{shape[2][:40]!r} is not a date") from None
    prefix = shape[1] or "eq"
    if prefix in ("eq", "ge"):
        found.since = max(found.since, low)
    if prefix in ("gt", "sa"):
        found.since = max(found.since, high + 1)
    if prefix in ("eq", "le"):
        found.until = min(found.until, high)
    if prefix in ("lt", "eb"):
        found.until = min(found.until, low - 1)


def _references(
    name: str, values: Sequence[str], base: str, kinds: Sequence[str]
) -> tuple[str, ...]:
    """`Type/id` of each; an id alone may be of any of these types."""
    found: list[str] = []
    for text in values:
        value = reference_value(name, text, base)
        if value.type is not None and len(kinds) == 1 and value.type not in kinds:
            raise wrong_value(name, f"{text[:80]!r} is not a reference {kinds[0]}/id")
        if value.url is not None:
            found.append(value.url)
        else:
            found += [f"{kind}/{value.id}" for kind in ((value.type,) if value.type else kinds)]
    return tuple(found)
