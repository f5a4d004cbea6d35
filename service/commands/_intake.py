"""How do records from files get into the store, and what becomes of those that are refused?

A resource with an id is stored as an update under it, one without gets an id of ours. Resources
are committed in batches; where one of a batch is refused on writing, they are stored one by one,
so that only that one is left out.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, NamedTuple

from service.commands._bundles import as_transaction, handling_of, resources_of
from service.commands._files import LARGEST_FILE, Record
from service.commands._opening import OPERATOR
from service.commands._options import base_of
from service.errors import HyoidError, Malformed, NotSupported, Unavailable
from service.rest import writing
from service.rest.call import Call, Service
from service.rest.interactions import INTERACTIONS
from service.rest.routing import Interaction
from service.standard.codec import decode, decode_resource, encode
from service.standard.profiles import check
from service.standard.registry import RESOURCE_TYPES
from service.standard.search_values import SearchValues, extract

BATCH = 200
_HELD = frozenset(RESOURCE_TYPES)
_WRITES = {"POST": ("201",), "PUT": ("200", "201"), "PATCH": ("200",)}

Json = dict[str, Any]


class _Ready(NamedTuple):
    place: str
    resource: Json
    values: SearchValues
    is_new: bool


class Intake:
    """Takes records one after another; `close` stores the last of them.

    `complain` is called with the place of each refused record. Unavailable (the database does not
    answer) is raised: going on would refuse everything.
    """

    def __init__(self, service: Service, complain: Callable[[str, HyoidError], None]) -> None:
        self._service = service
        self._complain = complain
        self._ready: list[_Ready] = []
        self._base = base_of(service.settings)
        self.stored = 0
        self.refused = 0

    def take(self, record: Record) -> None:
        """Store what a record holds, now or with the next ones."""
        with self._refusing(record.place):
            if record.refusal is not None:
                raise Malformed(record.refusal)
            resource = decode_resource(record.raw, max_bytes=LARGEST_FILE)
            if resource["resourceType"] == "Bundle":
                self._take_bundle(record.place, resource)
            else:
                self._take_resource(record.place, resource)

    def close(self) -> None:
        """Store what is still waiting."""
        waiting, self._ready = self._ready, []
        if not waiting:
            return
        try:
            self._write(waiting)
        except Unavailable:
            raise
        except HyoidError:
            for one in waiting:
                with self._refusing(one.place):
                    self._write([one])

    def _take_resource(self, place: str, resource: Json) -> None:
        kind = resource["resourceType"]
        if kind not in _HELD:
            raise NotSupported(
                f"This service holds no resources of type {kind[:64]!r}", expression="resourceType"
            )
        check(resource)
        is_new = "id" not in resource
        if is_new:
            resource = {**resource, "id": writing.new_id()}
        self._ready.append(_Ready(place, resource, extract(resource, f"{self._base}/"), is_new))
        if len(self._ready) >= BATCH:
            self.close()

    def _take_bundle(self, place: str, found: Json) -> None:
        handling = handling_of(found)
        if handling == "process":
            self._process(place, found)
        elif handling == "rebuild":
            self._process(place, as_transaction(found))
        else:
            for number, resource in resources_of(found):
                entry = f"{place}: Bundle.entry[{number}]"
                with self._refusing(entry):
                    self._take_resource(entry, resource)

    def _process(self, place: str, found: Json) -> None:
        self.close()
        call = Call(
            method="POST",
            path=(),
            query=(),
            headers={"content-type": "application/fhir+json"},
            body=encode(found),
            base=self._base,
            caller=OPERATOR,
            reading=self._service.store.reader,
        )
        asked = Interaction("transaction")
        answer = INTERACTIONS[asked.name](self._service, call, asked)
        answered = decode(answer.body, max_bytes=LARGEST_FILE).get("entry", [])
        for number, (asked, told) in enumerate(zip(found["entry"], answered, strict=False)):
            response = told.get("response", {})
            with self._refusing(f"{place}: Bundle.entry[{number}]"):
                self._count(asked["request"]["method"], response)

    def _count(self, method: str, response: Json) -> None:
        status = str(response.get("status", ""))
        if status[:1] in ("4", "5"):
            raise Malformed(_reason(response))
        self.stored += status[:3] in _WRITES.get(method, ())

    def _write(self, ready: list[_Ready]) -> None:
        with self._service.store.write(OPERATOR) as unit:
            for one in ready:
                write = writing.create if one.is_new else writing.update
                write(unit, one.resource, self._base, writing.Conditions(), one.values)
        self.stored += len(ready)

    @contextmanager
    def _refusing(self, place: str) -> Iterator[None]:
        try:
            yield
        except Unavailable:
            raise
        except HyoidError as error:
            self.refused += 1
            self._complain(place, error)


def _reason(response: Json) -> str:
    """What the OperationOutcome of a refused entry of a batch says."""
    issues = response.get("outcome", {}).get("issue", [])
    texts = [issue.get("details", {}).get("text") or issue.get("diagnostics") for issue in issues]
    return "; ".join(text for text in texts if text) or f"refused with {response['status']}"
