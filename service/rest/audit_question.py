"""Which AuditEvents are asked for? The search parameters that the audit log answers.

R4 search page and AuditEvent: `date`, `entity`, `patient`, `agent`, `altid`, `_id`,
`_lastUpdated`. The newest first: as they were stored, or by `recorded` where `date` or
`_sort=-date` asks for that. The two differ in what a client sent.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field

from service.errors import Issue
from service.standard.partial_dates import interval
from service.standard.provenance import CALLER
from service.standard.registry import RESOURCE_TYPES
from service.standard.search_query import ignored_parameter
from service.standard.searching.escapes import split
from service.standard.searching.query import SearchQuery, TokenValue
from service.standard.searching.references import reference_value
from service.standard.searching.refusals import UnknownParameterError, not_offered, wrong_value
from service.standard.searching.shape import Wishes
from service.standard.searching.values import token_value
from service.store.audit.access import LONGEST_NAME, NAME
from service.store.audit.find import EARLIEST, LATEST, Recorded, Wanted, one
from service.store.caseload import Condition
from service.store.connection import Connection
from service.store.searching.cursors import unseal

PARAMETERS = ("_id", "_lastUpdated", "agent", "altid", "date", "entity", "patient")
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
_SHAPING = frozenset(
    {"_count", "_cursor", "_elements", "_format", "_pretty", "_sort", "_summary", "_total"}
)
_SORTS = ("-date", "-_lastUpdated")


Range = tuple[int, int]
EVER: Range = (EARLIEST, LATEST)


@dataclass(slots=True)
class Question:
    """What is looked for; `numbers` where rows are asked for by number."""

    query: SearchQuery
    base: str
    entities: list[tuple[str, ...]] = field(default_factory=list)
    agents: tuple[str, ...] = ()
    by_date: bool = False
    recorded: Range = EVER
    stored: Range = EVER
    numbers: tuple[int, ...] | None = None
    before: tuple[int, int] = (LATEST, LATEST)

    def wanted(self, allowed: Condition | None) -> Wanted:
        """The same for the store."""
        return Wanted(
            tuple(self.entities),
            self.agents,
            *self.stored,
            self.before,
            allowed,
            self.by_date,
            *self.recorded,
        )

    def among(self, connection: Connection, wanted: Wanted) -> list[Recorded]:
        """The rows with the numbers asked for that meet the rest."""
        found = [one(connection, number, wanted.allowed) for number in self.numbers or ()]
        return sorted(
            (row for row in found if row is not None and self._is_met(row)),
            key=lambda row: row.place(by_date=self.by_date),
            reverse=True,
        )

    def _is_met(self, row: Recorded) -> bool:
        about = row.access.references()
        names = {row.access.agent, *(name.removeprefix(NAME) for name in row.access.found_by)}
        return (
            self.stored[0] <= row.at <= self.stored[1]
            and self.recorded[0] <= row.place(by_date=True)[0] <= self.recorded[1]
            and (not self.agents or not names.isdisjoint(self.agents))
            and all(about.intersection(some) for some in self.entities)
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
    wishes = Wishes(("AuditEvent",))
    for name, value in pairs:
        try:
            if not value:
                raise UnknownParameterError("it has no value")
            if name == "_sort":
                found.by_date = _is_by_date(value)
            elif name.partition(":")[0] in _SHAPING:
                wishes.take(name, value)
            else:
                _take(found, name, value)
            understood.append((name, value))
        except UnknownParameterError as reason:
            ignored.append(ignored_parameter(name, str(reason), strict))
    shape = wishes.shape()
    found.by_date = found.by_date or found.recorded != EVER
    found.query = SearchQuery(("AuditEvent",), (), shape, tuple(understood), tuple(ignored))
    if shape.cursor is not None:
        at, number = unseal(shape.cursor, found.query, secret).key
        found.before = (int(str(at)), int(str(number)))
    return found


def _is_by_date(value: str) -> bool:
    if value not in _SORTS:
        raise not_offered("_sort", f"AuditEvents come with the newest first: {' or '.join(_SORTS)}")
    return value == "-date"


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
            found.recorded = _narrowed(found.recorded, name, values)
        case "_lastUpdated":
            found.stored = _narrowed(found.stored, name, values)
        case "entity":
            found.entities.append(_references(name, values, found.base, RESOURCE_TYPES))
        case "patient":
            found.entities.append(_references(name, values, found.base, ("Patient",)))
        case "agent":
            references = _references(name, values, found.base, _AGENTS)
            found.entities.append(tuple(f"agent {reference}" for reference in references))
        case "agent:identifier" | "altid":
            tokens = [token_value(name, text) for text in values]
            names = tuple(map(_named, tokens))
            found.agents = (
                tuple(set(found.agents).intersection(names)) or ("",) if found.agents else names
            )
        case _:
            raise UnknownParameterError("AuditEvents are not searched by it")


def _named(token: TokenValue) -> str:
    """As which an agent is known: ours by their names, others by system and value."""
    known = not token.system or token.system == CALLER
    code = token.code or ""
    return (code if known else f"{token.system}|{code}")[:LONGEST_NAME]


def _narrowed(range_: Range, name: str, values: Sequence[str]) -> Range:
    """The part of a range of time that a date with its prefix leaves."""
    if len(values) > 1:
        raise not_offered(name, "one value, or a second parameter for the other end")
    shape = _DATE.fullmatch(values[0])
    if shape is None:
        raise wrong_value(name, f"{values[0][:40]!r} is not a date with eq, ge, gt, le or lt")
    try:
        low, high = interval(shape[2].replace(" ", "+"))
    except ValueError:
        raise wrong_value(name, f"{shape[2][:40]!r} is not a date") from None
    since, until = range_
    prefix = shape[1] or "eq"
    if prefix in ("eq", "ge"):
        since = max(since, low)
    if prefix in ("gt", "sa"):
        since = max(since, high + 1)
    if prefix in ("eq", "le"):
        until = min(until, high)
    if prefix in ("lt", "eb"):
        until = min(until, low - 1)
    return since, until


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
