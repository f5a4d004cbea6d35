"""What is known of a client that rules may ask for? Read from the store, within bounds.

Conditions, allergies, flags and diet orders; of Observations, Procedures and Encounters only those
that some rule of `mappings/cautions` asks for, and only as far back as it asks. Everything is read
as the caller may see it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import date, timedelta
from typing import Any

import orjson

from service.caller import Caller
from service.rest.call import Call, Service
from service.standard.codec import decode
from service.standard.registry import RESOURCE_TYPES
from service.standard.search_query import parse_search
from service.store.connection import Connection
from service.store.current import current_version
from service.store.record import RecordQuery, record_page
from service.store.rows import Stored
from service.store.searching import search
from service.therapy.cautions.rules import CodeSet, Sign, rules
from service.therapy.references import target

Resource = dict[str, Any]

MOST_OF_A_TYPE = 500
MOST_ORDERS = 100

_SEARCHED = ("Observation", "Procedure")


def client_of(resource: Resource, base: str) -> str | None:
    """The id of the Patient that a resource is about, if that is one of this service."""
    subject = target(resource.get("subject") or resource.get("patient"), base)
    if subject is None or not subject.startswith("Patient/"):
        return None
    return subject.removeprefix("Patient/")


def known_of(
    service: Service, connection: Connection, caller: Caller, patient: str, today: date
) -> list[Resource]:
    """The resources that the rules look at, at most MOST_OF_A_TYPE of each kind of reading."""
    signs = [sign for rule in rules() for sign in rule.when]
    types = {sign.type for sign in signs} - set(_SEARCHED) | {"Condition"}
    query = RecordQuery(patient, tuple(sorted(types & set(RESOURCE_TYPES))))
    found = read(record_page(connection, caller, query, limit=MOST_OF_A_TYPE))
    asker = _Asker(service, connection, caller, patient)
    for kind in _SEARCHED:
        found += asker.for_signs(kind, [sign for sign in signs if sign.type == kind], today)
    return found


def observed(
    service: Service, connection: Connection, caller: Caller, patient: str, codes: Sequence[CodeSet]
) -> list[Resource]:
    """The newest Observations with one of these codes."""
    asker = _Asker(service, connection, caller, patient)
    return asker.ask("Observation", [("code", tokens(codes))])


def orders_of(connection: Connection, call: Call, references: Iterable[str]) -> dict[str, Resource]:
    """What a plan refers to, by the reference as it is written; at most MOST_ORDERS."""
    found: dict[str, Resource] = {}
    for reference in list(references)[:MOST_ORDERS]:
        name = target({"reference": reference}, call.base)
        if name is None:
            continue
        stored = current_version(connection, call.caller, *name.split("/"))
        if stored is not None and stored.body is not None:
            found[reference] = loads(stored.body)
    return found


def tokens(sets: Iterable[CodeSet]) -> str:
    """Codes as the value of a search parameter."""
    return ",".join(dict.fromkeys(f"{each.system}|{code}" for each in sets for code in each.codes))


def read(stored: Iterable[Stored]) -> list[Resource]:
    """The resources of stored versions."""
    return [loads(each.body) for each in stored if each.body is not None]


def loads(body: bytes) -> Resource:
    """Stored bytes, read the quick way: numbers as floats."""
    try:
        found: Resource = orjson.loads(body)
    except orjson.JSONDecodeError:
        found = decode(body)
    return found


class _Asker:
    def __init__(
        self, service: Service, connection: Connection, caller: Caller, patient: str
    ) -> None:
        self._service = service
        self._connection = connection
        self._caller = caller
        self._patient = patient

    def for_signs(self, kind: str, signs: list[Sign], today: date) -> list[Resource]:
        """What these signs look at: one search for each span of time they ask for."""
        found: list[Resource] = []
        for within in dict.fromkeys(sign.within_days for sign in signs):
            asked = [sign for sign in signs if sign.within_days == within]
            pairs = list(self._coded(kind, asked))
            since = [] if within is None else [_since(today, within)]
            found += self.ask(kind, [*pairs, *since])
        after = [sign for sign in signs if sign.hours_after_session is not None]
        if after and self._is_seen(found, after):
            most = max(sign.within_days or 0 for sign in after)
            found += self.ask("Encounter", [_since(today, most + 7), ("status", "finished")])
        return found

    def ask(self, kind: str, pairs: list[tuple[str, str]]) -> list[Resource]:
        """The newest resources that meet a search within the client's record."""
        query = parse_search(
            kind, [("patient", self._patient), *pairs, ("_sort", "-date")], strict=True
        )
        found = search(
            self._connection,
            self._caller,
            query,
            count=MOST_OF_A_TYPE,
            secret=self._service.cursor_key,
        )
        return read(found.matches)

    def _coded(self, kind: str, signs: list[Sign]) -> Iterator[tuple[str, str]]:
        if kind == "Observation":
            yield "code", tokens(each for sign in signs for each in sign.observation)
        else:
            yield "category", tokens(each for sign in signs for each in sign.codes)

    def _is_seen(self, found: list[Resource], signs: list[Sign]) -> bool:
        sets = [each for sign in signs for each in sign.observation]
        return any(
            each.holds(coding.get("system", ""), coding.get("code", ""))
            for resource in found
            for coding in resource.get("code", {}).get("coding", ())
            for each in sets
        )


def _since(today: date, days: int) -> tuple[str, str]:
    return "date", f"ge{(today - timedelta(days=days)).isoformat()}"
