"""What does a kick-off ask for? The parameters of $export, in the query or as Parameters.

Bulk Data Access 3.0.0, bulk data kick-off request. What is not offered is refused; under
`Prefer: handling=lenient` it is left aside and told in the export's error file.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any, TypeVar

from service.errors import HyoidError, Invalid, Issue, NotSupported
from service.handover.bulk.filters import divided, read_filter
from service.handover.bulk.request import Associated, Level, in_records, types_of
from service.rest.negotiation import COMMON
from service.standard.definitions import definitions
from service.standard.mentions import local_name
from service.standard.partial_dates import interval
from service.standard.registry import RESOURCE_TYPES, SEARCHED_TYPES

_FORMATS = frozenset({"application/fhir+ndjson", "application/ndjson", "ndjson"})
_INSTANT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+\-]\d\d:\d\d)")
_ASSOCIATED: dict[str, Associated] = {
    "LatestProvenanceResources": "latest",
    "RelevantProvenanceResources": "relevant",
}
_MOST = 1_000

Read = TypeVar("Read")


@dataclass
class Wanted:
    """What was asked, read. `named`: the types were asked by name. `patients` are ids, None where
    none were named."""

    types: tuple[str, ...]
    named: bool = False
    since: int | None = None
    until: int | None = None
    filters: tuple[str, ...] = ()
    elements: tuple[str, ...] = ()
    associated: Associated = ""
    patients: tuple[str, ...] | None = None
    ignored: list[Issue] = field(default_factory=list)


def read_parameters(
    given: Sequence[tuple[str, Any]],
    level: Level,
    base: str,
    now: int,
    *,
    lenient: bool,
    posted: bool,
) -> Wanted:
    """Read them all. Raises Invalid or NotSupported with the parameter named."""
    return _Reading(given, level, base, now, lenient, posted).wanted()


class _Reading:
    """The values by name; what is refused is put aside where the client is lenient."""

    def __init__(
        self,
        given: Sequence[tuple[str, Any]],
        level: Level,
        base: str,
        now: int,
        lenient: bool,
        posted: bool,
    ) -> None:
        self._given = given
        self._level, self._base, self._now = level, base, now
        self._lenient, self._posted = lenient, posted
        self._ignored: list[Issue] = []

    def wanted(self) -> Wanted:
        self._each(("_outputFormat",), self._format)
        self._refuse_others()
        types = self._types()
        since = self._single("_since", _instant)
        until = self._single("_until", _instant)
        associated = self._each(("includeAssociatedData",), self._associated_values)
        found = Wanted(
            types,
            bool(self._values("_type")),
            since,
            until,
            tuple(self._each(("_typeFilter",), lambda name, value: self._filters(value, types))),
            tuple(self._each(("_elements",), lambda name, value: self._elements(value, types))),
            "relevant" if "relevant" in associated else "latest" if associated else "",
            self._patients(),
        )
        found.ignored = self._ignored
        return found

    def _values(self, *names: str) -> list[tuple[str, Any]]:
        return [(name, value) for name, value in self._given if name in names]

    def _each(
        self, names: tuple[str, ...], read: Callable[[str, Any], Iterator[Read]]
    ) -> list[Read]:
        """What is read of all values; of those that are refused nothing, if that will do."""
        found: list[Read] = []
        for name, value in self._values(*names):
            try:
                found += list(read(name, value))
            except HyoidError as error:
                self._put_aside(error)
        if len(found) > _MOST:
            raise Invalid(f"{names[0]} has more than {_MOST} values", code="too-costly")
        return found

    def _put_aside(self, error: HyoidError) -> None:
        if not self._lenient:
            raise error
        self._ignored += [
            Issue("warning", issue.code, f"Ignored: {issue.text}", location=issue.location)
            for issue in error.issues
        ]

    def _single(self, name: str, read: Callable[[str, str], int]) -> int | None:
        values = self._values(name)
        if len(values) > 1:
            raise _wrong(name, "given twice")
        # A time that cannot be read is no wish that could be left aside: more would come.
        return read(name, str(values[0][1])) if values else None

    def _refuse_others(self) -> None:
        known = {"_outputFormat", "_since", "_until", "_type", "_typeFilter", "_elements"}
        known |= COMMON | {"includeAssociatedData", "patient"}
        for name, value in self._given:
            if name == "allowPartialManifests" and value in ("false", False):
                continue
            if name not in known:
                text = f"$export does not offer the parameter {name[:40]!r}"
                self._put_aside(NotSupported(text, location=f"http.{name[:40]}"))

    def _format(self, name: str, value: Any) -> Iterator[str]:
        # A `+` in a query string arrives as a space.
        if str(value).replace(" ", "+") not in _FORMATS:
            text = f"{str(value)[:40]!r} is not offered; application/fhir+ndjson is"
            raise NotSupported(f"_outputFormat: {text}", location="http._outputFormat")
        yield str(value)

    def _types(self) -> tuple[str, ...]:
        asked = self._each(("_type",), self._listed_types)
        if not asked and self._values("_type"):
            raise _wrong("_type", "none of these types is held here")
        if asked and self._level != "system" and not any(in_records(kind) for kind in asked):
            raise _wrong("_type", "all of these lie outside of clients' records")
        return types_of(self._level, tuple(asked), RESOURCE_TYPES)

    def _listed_types(self, name: str, value: Any) -> Iterator[str]:
        found = [text.strip() for text in str(value).split(",") if text.strip()]
        for text in found:
            if text not in SEARCHED_TYPES:
                self._put_aside(_wrong(name, f"no type {text[:64]!r} is exported here"))
        yield from (text for text in found if text in SEARCHED_TYPES)

    def _associated_values(self, name: str, value: Any) -> Iterator[Associated]:
        for text in str(value).split(","):
            if text.strip() not in _ASSOCIATED:
                offered = " and ".join(_ASSOCIATED)
                error = f"{name}: {text[:60]!r} is not offered; {offered} are"
                self._put_aside(NotSupported(error, location=f"http.{name}"))
            else:
                yield _ASSOCIATED[text.strip()]

    def _filters(self, value: Any, types: tuple[str, ...]) -> Iterator[str]:
        for text in divided(str(value)):
            try:
                query = read_filter(text, self._base, self._now)
                if query.types[0] not in types:
                    raise _wrong("_typeFilter", f"{query.types[0]} is no type of this export")
            except HyoidError as error:
                self._put_aside(error)
            else:
                yield text

    def _elements(self, value: Any, types: tuple[str, ...]) -> Iterator[str]:
        for text in (part.strip() for part in str(value).split(",")):
            kind, _, name = text.rpartition(".")
            among = (kind,) if kind else types
            if not name or not any(each in types and _has(each, name) for each in among):
                error = f"{text[:80]!r} is no element at the root of a type of this export"
                self._put_aside(_wrong("_elements", error))
            else:
                yield text

    def _patients(self) -> tuple[str, ...] | None:
        values = self._values("patient")
        if not values:
            return None
        if self._level == "system" or not self._posted:
            raise NotSupported(
                "patient is for exports of patients or of a Group, in a posted Parameters resource",
                location="http.patient",
            )
        return tuple(dict.fromkeys(self._patient(value) for _, value in values))

    def _patient(self, value: Any) -> str:
        text = value.get("reference", "") if isinstance(value, dict) else str(value)
        leads = local_name(text, self._base) if text else None
        if leads is None or leads[0] != "Patient":
            raise _wrong("patient", f"{text[:80]!r} is not a reference to a Patient of ours")
        return leads[1]


def _instant(name: str, text: str) -> int:
    written = text.replace(" ", "+")
    if not _INSTANT.fullmatch(written):
        raise _wrong(name, f"an instant with a time zone, not {text[:40]!r}")
    try:
        return interval(written)[0]
    except ValueError:
        raise _wrong(name, f"an instant, not {text[:40]!r}") from None


def _has(kind: str, name: str) -> bool:
    elements = definitions().elements(kind)
    return name in elements or any(element.choice == name for element in elements.values())


def _wrong(name: str, text: str) -> Invalid:
    return Invalid(f"{name}: {text}", code="value", location=f"http.{name}")
