"""A transaction: all entries in one unit of work, whole or not at all.

R4 http page, #trules. First every entry that writes gets its identity, then the links between
entries are replaced, then the entries are done: DELETE, POST, PUT and PATCH, GET and HEAD;
conditional references are resolved when everything without one is in place.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

from service.errors import HyoidError, Invalid, Issue, PreconditionFailed
from service.rest import writing
from service.rest.call import Answer, Call, Service
from service.rest.conditions import matches_of
from service.rest.entry_call import entry_call
from service.rest.responses import version_headers, written
from service.rest.spending import Perform, Spending
from service.rest.writing import Conditions, Written
from service.standard.bundles import PlannedEntry, overlaps, patch_document
from service.standard.links import ConditionalReference, placeholders, rewrite
from service.store.rows import Stored
from service.store.unit import Unit


@dataclass(slots=True)
class _Write:
    """A POST or PUT of a resource: `found` is what a conditional create met."""

    entry: PlannedEntry
    resource: dict[str, Any]
    found: Stored | None = None
    pending: tuple[ConditionalReference, ...] = ()


def perform_transaction(
    service: Service,
    call: Call,
    entries: list[PlannedEntry],
    perform: Perform,
    spending: Spending,
) -> dict[int, Answer]:
    """The answers by index of the entry. Raises the refusal of the entry that fails."""
    with service.store.write(call.caller) as unit:
        return _Transaction(unit, call, entries, perform, spending).run()


class _Transaction:
    def __init__(
        self,
        unit: Unit,
        call: Call,
        entries: list[PlannedEntry],
        perform: Perform,
        spending: Spending,
    ) -> None:
        self.unit = unit
        self.base = call.base
        self.entries = entries
        self.perform = perform
        self.spending = spending
        self.call = replace(call, reading=unit.reading, in_transaction=True)
        self.answers: dict[int, Answer] = {}
        self.conditions: dict[tuple[str, str], int] = {}

    def run(self) -> dict[int, Answer]:
        writes = [self._named(self._identified, entry) for entry in self.entries if _stores(entry)]
        self._check_overlaps(writes)
        self._link(writes)
        for entry in self.entries:
            if entry.method == "DELETE":
                self._answer(entry, self._named(self._delete, entry))
        for write in sorted(writes, key=lambda write: bool(write.pending)):
            self._answer(write.entry, self._named(self._store, write.entry, write))
        for entry in self.entries:
            if entry.method == "PATCH":
                self._answer(entry, self._named(self._patch, entry))
        for entry in self.entries:
            if entry.index not in self.answers:
                self.answers[entry.index] = self._named(self._read, entry)
        for write in writes:
            if write.found is None:
                self._named(self._settle, write.entry, write)
        return self.answers

    def _settle(self, entry: PlannedEntry, write: _Write) -> None:
        """Whether it may stay can be told when all is in place."""
        self.unit.settle(write.resource["resourceType"], write.resource["id"])

    def _identified(self, entry: PlannedEntry) -> _Write:
        """Give the resource the id under which it will lie; look for what is conditional."""
        resource = dict(entry.resource or {})
        kind = resource["resourceType"]
        conditions = _conditions(entry)
        if entry.method == "POST":
            if entry.if_none_exist is not None:
                self._check_new(entry, (kind, entry.if_none_exist))
                found = writing.only_match(
                    self.unit, kind, entry.if_none_exist, self.base, conditions
                )
                if found is not None:
                    return _Write(entry, resource, found)
            return _Write(entry, resource | {"id": writing.new_id()})
        if entry.url.level == "type":
            search = entry.url.query or ""
            target = writing.identity_for(self.unit, resource, search, self.base, conditions)
            if target is None and entry.if_match is not None:
                raise PreconditionFailed("ifMatch was given, but nothing matches the search")
            return _Write(entry, resource | {"id": target or writing.new_id()})
        return _Write(entry, resource)

    def _check_new(self, entry: PlannedEntry, condition: tuple[str, str]) -> None:
        """Two creates under one condition would be the same resource twice."""
        earlier = self.conditions.setdefault(condition, entry.index)
        if earlier != entry.index:
            raise Invalid(
                f"Bundle.entry[{earlier}] is created under the same condition",
                code="duplicate",
                expression=f"{entry.where}.request.ifNoneExist",
            )

    def _check_overlaps(self, writes: list[_Write]) -> None:
        identities = [
            (entry.index, entry.identity)
            for entry in self.entries
            if entry.identity is not None and entry.method in ("DELETE", "PATCH")
        ]
        identities += [
            (write.entry.index, (write.resource["resourceType"], write.resource["id"]))
            for write in writes
            if write.found is None
        ]
        refusals = overlaps(sorted(identities))
        if refusals:
            raise Invalid(issues=[issue for error in refusals for issue in error.issues])

    def _link(self, writes: list[_Write]) -> None:
        """Replace links between entries by what the entries become."""
        known = placeholders(self.entries)
        names = {write.entry.index: _name(write) for write in writes}
        mapping = {url: names[index] for url, index in known.items() if index in names}
        for write in writes:
            if write.found is None:
                write.resource, write.pending = self._named(
                    self._linked, write.entry, write, mapping
                )

    def _linked(
        self, entry: PlannedEntry, write: _Write, mapping: dict[str, str]
    ) -> tuple[dict[str, Any], tuple[ConditionalReference, ...]]:
        where = f"{entry.where}.resource"
        pending = rewrite(write.resource, mapping, full_url=entry.full_url, where=where)
        return write.resource, tuple(pending)

    def _store(self, entry: PlannedEntry, write: _Write) -> Written:
        if write.found is not None:
            return Written(200, write.found)
        for reference in write.pending:
            self._resolve(reference)
        if entry.method == "POST":
            return writing.create(self.unit, write.resource, self.base, Conditions())
        return writing.update(self.unit, write.resource, self.base, _conditions(entry))

    def _resolve(self, reference: ConditionalReference) -> None:
        found = matches_of(self.unit, reference.type, reference.criteria, self.base)
        if len(found) != 1:
            how_many = "nothing" if not found else "more than one"
            raise PreconditionFailed(
                f"The conditional reference finds {how_many}; it must find one {reference.type}",
                code="not-found" if not found else "multiple-matches",
                expression=reference.expression,
            )
        reference.resolve(found[0].reference)

    def _delete(self, entry: PlannedEntry) -> Written:
        kind, conditions = entry.url.type or "", _conditions(entry)
        if entry.url.id is not None:
            return writing.delete(self.unit, kind, entry.url.id, conditions)
        return writing.delete_where(self.unit, kind, entry.url.query or "", self.base, conditions)

    def _patch(self, entry: PlannedEntry) -> Written:
        document = patch_document(entry)

        made = writing.json_change if isinstance(document, list) else writing.fhirpath_change
        change = made(document)
        kind, conditions = entry.url.type or "", _conditions(entry)
        if entry.url.id is not None:
            return writing.patch(self.unit, kind, entry.url.id, change, self.base, conditions)
        return writing.patch_where(
            self.unit, kind, entry.url.query or "", change, self.base, conditions
        )

    def _read(self, entry: PlannedEntry) -> Answer:
        return self.spending.read(self.perform, entry_call(self.call, entry))

    def _answer(self, entry: PlannedEntry, done: Written) -> None:
        stored = done.stored
        if done.status == 204 or stored is None:
            headers = version_headers(stored) if stored else {}
            self.answers[entry.index] = Answer(204, b"", headers)
            return
        self.answers[entry.index] = self.spending.keep(written(self.call, stored, done.status))

    def _named(self, step: Callable[..., Any], entry: PlannedEntry, *more: Any) -> Any:
        """Do a step of an entry; a refusal tells which entry it was."""
        try:
            return step(entry, *more)
        except HyoidError as error:
            error.issues = tuple(_placed(issue, entry) for issue in error.issues)
            raise


def _placed(issue: Issue, entry: PlannedEntry) -> Issue:
    if issue.expression and issue.expression.startswith("Bundle.entry["):
        return issue
    kind = (entry.resource or {}).get("resourceType", "")
    expression = entry.where
    if issue.expression and kind and issue.expression.startswith(f"{kind}."):
        expression = f"{entry.where}.resource{issue.expression[len(kind) :]}"
    return replace(issue, expression=expression)


def _stores(entry: PlannedEntry) -> bool:
    return entry.method == "PUT" or (entry.method == "POST" and entry.url.level == "type")


def _name(write: _Write) -> str:
    if write.found is not None:
        return write.found.reference
    return f"{write.resource['resourceType']}/{write.resource['id']}"


def _conditions(entry: PlannedEntry) -> Conditions:
    return Conditions(
        entry.if_match, entry.if_none_match, entry.if_none_exist, f"{entry.where}.request"
    )
