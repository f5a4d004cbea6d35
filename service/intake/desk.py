"""How does one session get into the store? Prepared outside the unit of work, written within it.

What was prepared rests on what was seen under the session's number; where another writer was
faster, it is prepared again within the unit of work, where nobody else writes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Any

from service.caller import Caller
from service.intake.answers import SessionAnswer
from service.intake.building import Builder
from service.intake.deciding import Decision, Stored, chosen, decide
from service.intake.delivered import resources_of
from service.intake.drafts import Draft
from service.intake.linking import Links
from service.intake.local_codes import Codes
from service.intake.meant import Numbers
from service.intake.models import SessionNote
from service.intake.referring import known_of
from service.standard.codec import decode, encode, same
from service.standard.meta import unstamped
from service.standard.validation import validate
from service.store.connection import Connection
from service.store.rows import Stored as Version
from service.store.store import Store
from service.store.unit import Unit
from service.terminology.stored import StoredLibrary

Json = dict[str, Any]

_NOBODY = "Patient/-"


@dataclass(slots=True)
class Prepared:
    """A session of a client that can be written; `seen` is what it rests on (`Meant.seen`)."""

    draft: Draft
    decision: Decision
    client: str = ""
    seen: tuple[object, ...] = ()
    encounter: str | None = None
    resources: list[Json] = field(default_factory=list)
    gone: list[tuple[str, str]] = field(default_factory=list)
    references: list[str] = field(default_factory=list)
    written: int = 0

    def answer(self, number: int, rows: Sequence[int] = ()) -> SessionAnswer:
        """What is told of it."""
        refused = self.decision == "refused"
        return SessionAnswer(
            number=number,
            session=self.draft.value,
            status=self.decision,
            issues=self.draft.findings.issues,
            revision=self.draft.note.revision,
            encounter=None if refused else self.encounter,
            resources=() if refused else self.references,
            rows=rows,
            written=self.written,
        )


class Desk:
    """Takes drafts of one request, looks up what they refer to, and writes them."""

    def __init__(self, store: Store, caller: Caller, base: str) -> None:
        self._store = store
        # The glass is broken for reading alone.
        self._caller = caller = replace(caller, purpose="")
        self._base = base
        self._connection: Connection | None = None
        self._links = Links(self._reading, caller, base)

    def prepare(self, drafts: Sequence[Draft]) -> list[Prepared]:
        """Everything that can be done before the unit of work."""
        with self._store.reader() as connection, self._on(connection) as codes:
            return [self._prepared(draft, codes) for draft in drafts]

    def write(self, unit: Unit, prepared: Prepared) -> Prepared:
        """Write one session, unless it is refused or there already."""
        if prepared.decision == "refused":
            return prepared
        with self._on(unit.reader()) as codes:
            numbers = Numbers(self._reading(), self._caller)
            if numbers.meant(prepared.draft, prepared.client).seen != prepared.seen:
                prepared.draft.forget()
                prepared = self._prepared(prepared.draft, codes)
        if prepared.decision in ("stored", "corrected"):
            self._append(unit, prepared)
        return prepared

    def _on(self, connection: Connection) -> Any:
        return _Using(self, connection)

    def _reading(self) -> Connection:
        assert self._connection is not None
        return self._connection

    def _prepared(self, draft: Draft, codes: Codes) -> Prepared:
        findings = draft.findings
        numbers = Numbers(self._reading(), self._caller)
        client = self._links.client(draft.note.client, draft.clinic, findings)
        if client is None or findings.refused:
            # All its faults are to be told at once, those of codes and values among them.
            known = known_of(draft, client or _NOBODY, codes, self._links)
            resources_of(Builder(draft, known, numbers.session(draft, "")))
            return Prepared(draft, "refused")
        meant = numbers.meant(draft, client)
        stored = chosen(draft, meant.stored, client)
        decision = "refused" if findings.refused else decide(draft, stored, client)
        if decision == "refused":
            return Prepared(draft, "refused")
        key = stored.id if stored else meant.new
        assert key is not None
        found = Prepared(draft, decision, client, meant.seen, f"Encounter/{key}")
        if decision == "unchanged":
            found.references = list(_targets(stored))
            return found
        if draft.reading.adds_up:
            draft.note = SessionNote.model_validate(draft.content)
        known = known_of(draft, client, codes, self._links)
        builder = Builder(draft, known, numbers.session(draft, key))
        resources = resources_of(builder)
        if draft.note.withdrawn:
            resources = [_in_error(one) for one in resources]
        resources.append(builder.provenance(resources, _instant(draft.reading.now)))
        self._check(draft, resources)
        if findings.refused:
            return Prepared(draft, "refused")
        references = [f"{one['resourceType']}/{one['id']}" for one in resources]
        found.resources, found.references = resources, references[:-1]
        found.gone = [
            (kind, resource_id)
            for kind, _, resource_id in (each.partition("/") for each in _targets(stored))
            if f"{kind}/{resource_id}" not in references
        ]
        return found

    def _check(self, draft: Draft, resources: list[Json]) -> None:
        """The rules of R4. Nothing built here should break them; what was sent may."""
        for resource in resources:
            for issue in validate(resource):
                if issue.severity in ("error", "fatal"):
                    where = issue.expression or resource["resourceType"]
                    draft.findings.error((), issue.code, f"{where}: {issue.text}")

    def _append(self, unit: Unit, prepared: Prepared) -> None:
        """Write what is new or differs, and mark what is no longer said as entered in error."""
        writes = []
        for resource in prepared.resources:
            current = unit.current(resource["resourceType"], resource["id"])
            if not _is_there(current, resource):
                writes.append((resource, current))
        for kind, resource_id in prepared.gone:
            current = unit.current(kind, resource_id)
            if current is not None and current.body is not None:
                before = unstamped(decode(current.body))
                if before.get("status") != "entered-in-error":
                    writes.append((_in_error(before), current))
        for resource, current in writes:
            unit.append(
                resource, resource["id"], self._base, method="PUT", current=current, derived=True
            )
        prepared.written = len(writes)


class _Using:
    """Lets a desk read from one connection for a while."""

    def __init__(self, desk: Desk, connection: Connection) -> None:
        self._desk = desk
        self._connection = connection

    def __enter__(self) -> Codes:
        self._before = self._desk._connection
        self._desk._connection = self._connection
        return Codes(StoredLibrary(self._connection, self._desk._caller))

    def __exit__(self, *_: object) -> None:
        self._desk._connection = self._before


def _is_there(current: Version | None, resource: Json) -> bool:
    """Whether the newest version says just this. A Provenance is about a time of its own."""
    if current is None or current.body is None or resource["resourceType"] == "Provenance":
        return False
    return same(unstamped(decode(current.body)), decode(encode(resource)))


def _targets(stored: Stored | None) -> tuple[str, ...]:
    return stored.targets if stored else ()


def _in_error(resource: Json) -> Json:
    return resource | {"status": "entered-in-error"}


def _instant(now: datetime) -> str:
    return now.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
