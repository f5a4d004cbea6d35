"""How do records from files get into the store, and what becomes of those that are refused?

A resource with an id is stored as an update under it, one without gets an id of ours. Resources
are committed in batches; where one of a batch is refused on writing, the others are stored one by
one. A transaction or batch is processed as the service would (http://hl7.org/fhir/R4/http.html
#transaction); any other Bundle is taken apart, unless its entries refer to each other by urn:
then it is stored as one transaction, so that the references can be resolved.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import Any, NamedTuple

from service.commands._files import LARGEST_FILE, Record
from service.commands._opening import OPERATOR
from service.errors import HyoidError, Invalid, Malformed, NotSupported, Unavailable
from service.rest import bundle, writing
from service.rest.call import Call, Service
from service.rest.routing import Interaction
from service.standard.codec import decode, decode_resource, encode
from service.standard.registry import RESOURCE_TYPES
from service.standard.search_values import SearchValues, extract
from service.standard.validation import check
from service.store.unit import Unit

BATCH = 200
_PROCESSED = frozenset({"transaction", "batch"})
_TAKEN_APART = frozenset({"collection", "document", "searchset", "message"})
_HELD = frozenset(RESOURCE_TYPES)

Resource = dict[str, Any]
Complain = Callable[[str, HyoidError], None]


class _Ready(NamedTuple):
    place: str
    resource: Resource
    values: SearchValues


class Intake:
    """Takes records one after another; `close` stores the last of them."""

    def __init__(self, service: Service, complain: Complain) -> None:
        self._service = service
        self._complain = complain
        self._ready: list[_Ready] = []
        self._base = service.settings.base_url.rstrip("/") + "/"
        self.stored = 0
        self.refused = 0

    def take(self, record: Record) -> None:
        """Store what a record holds, now or with the next ones. Raises Unavailable."""
        if record.refusal is not None:
            self._refuse(record.place, Malformed(record.refusal))
            return
        with_reason = self._refusing(record.place)
        for resource in with_reason(lambda: _decoded(record)):
            if resource["resourceType"] == "Bundle":
                self._take_bundle(record.place, resource)
            else:
                self._take_resource(record.place, resource)

    def close(self) -> None:
        """Store what is still waiting. Raises Unavailable."""
        waiting, self._ready = self._ready, []
        if not waiting:
            return
        try:
            self._write(waiting)
        except Unavailable:
            raise
        except HyoidError:
            for one in waiting:
                self._write_alone(one)

    def _take_resource(self, place: str, resource: Resource) -> None:
        for values in self._refusing(place)(lambda: self._prepared(resource)):
            self._ready.append(_Ready(place, resource, values))
        if len(self._ready) >= BATCH:
            self.close()

    def _prepared(self, resource: Resource) -> SearchValues:
        kind = resource["resourceType"]
        if kind not in _HELD:
            raise NotSupported(
                f"This service holds no resources of type {kind[:64]!r}", expression="resourceType"
            )
        check(resource)
        return extract(resource, self._base if self._base != "/" else "")

    def _take_bundle(self, place: str, found: Resource) -> None:
        kind = found.get("type")
        if kind in _PROCESSED:
            self._process(place, found)
        elif kind not in _TAKEN_APART:
            self._refuse(place, NotSupported(f"a Bundle of type {str(kind)[:40]!r} is not loaded"))
        elif not _refers_by_urn(found):
            for number, resource in _entries(found):
                self._take_entry(f"{place}: entry {number}", resource)
        else:
            for rebuilt in self._refusing(place)(lambda: _as_transaction(found)):
                self._process(place, rebuilt)

    def _take_entry(self, place: str, resource: object) -> None:
        if isinstance(resource, dict) and isinstance(resource.get("resourceType"), str):
            self._take_resource(place, resource)
        else:
            self._refuse(place, Malformed("the entry has no resource"))

    def _process(self, place: str, found: Resource) -> None:
        self.close()
        call = Call(
            method="POST",
            path=(),
            query=(),
            headers={"content-type": "application/fhir+json"},
            body=encode(found),
            base=self._service.settings.base_url,
            caller=OPERATOR,
            reading=self._service.store.reader,
        )
        for answer in self._refusing(place)(
            lambda: bundle.process(self._service, call, Interaction("transaction"))
        ):
            self._count_entries(place, decode(answer.body, max_bytes=LARGEST_FILE))

    def _count_entries(self, place: str, answer: Resource) -> None:
        for number, entry in enumerate(answer.get("entry", [])):
            response = entry.get("response", {})
            status = str(response.get("status", ""))
            if status.startswith(("4", "5")):
                reason = _reason(response) or f"refused with {status}"
                self._refuse(f"{place}: entry {number}", Invalid(reason))
            elif status[:3] in ("200", "201") and "etag" in response:
                self.stored += 1

    def _write(self, ready: Iterable[_Ready]) -> None:
        count = 0
        with self._service.store.write(OPERATOR) as unit:
            for one in ready:
                _store(unit, one)
                count += 1
        self.stored += count

    def _write_alone(self, one: _Ready) -> None:
        try:
            self._write([one])
        except Unavailable:
            raise
        except HyoidError as error:
            self._refuse(one.place, error)

    def _refuse(self, place: str, error: HyoidError) -> None:
        self.refused += 1
        self._complain(place, error)

    def _refusing(self, place: str) -> Callable[[Callable[[], Any]], Iterator[Any]]:
        """Runs a step: its value once, or nothing where it was refused (and then told)."""

        def run(step: Callable[[], Any]) -> Iterator[Any]:
            try:
                value = step()
            except Unavailable:
                raise
            except HyoidError as error:
                self._refuse(place, error)
            else:
                yield value

        return run
