"""How do several sessions get into the store? In one unit of work, the refused ones left out."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import islice

from service.caller import Caller
from service.errors import HyoidError, Unavailable
from service.intake.answers import SessionAnswer
from service.intake.desk import Desk, Prepared
from service.intake.drafts import Draft
from service.store.store import Store


class _AtomicRefusal(Exception):
    """Undoes the unit of work in which one session of several was refused."""


Entry = tuple[int, Draft, Sequence[int]]
"""Place among the sessions sent, draft, and rows it came from."""


def store_all(
    store: Store, caller: Caller, base: str, entries: Sequence[Entry], *, atomic: bool = False
) -> list[SessionAnswer]:
    """Write these sessions, in one unit of work; refused ones are left out.

    With `atomic` all of them are written or none. Raises Unavailable where the database does not
    answer; any other fault of one session is an answer.
    """
    desk = Desk(store, caller, base)
    prepared = desk.prepare([draft for _, draft, _ in entries])
    if atomic and any(each.decision == "refused" for each in prepared):
        return _none_stored(entries, prepared)
    if all(each.decision in ("refused", "unchanged") for each in prepared):
        return _answers(entries, prepared)
    try:
        with store.write(caller) as unit:
            written = [desk.write(unit, each) for each in prepared]
            if atomic and any(each.decision == "refused" for each in written):
                raise _AtomicRefusal
    except _AtomicRefusal:
        return _none_stored(entries, written)
    except Unavailable:
        raise
    except HyoidError as error:
        if len(entries) == 1 or atomic:
            return [_fallen(entry, error) for entry in entries]
        return _one_by_one(store, caller, base, entries)
    return _answers(entries, written)


def _one_by_one(
    store: Store, caller: Caller, base: str, entries: Sequence[Entry]
) -> list[SessionAnswer]:
    found: list[SessionAnswer] = []
    for entry in entries:
        entry[1].forget()
        try:
            found += store_all(store, caller, base, [entry])
        except Unavailable:
            if not any(answer.written for answer in found):
                raise
            raise Unavailable(
                "The database stopped answering within the request: some sessions are stored. Send"
                " it again later, once is once"
            ) from None
    return found


def _answers(entries: Sequence[Entry], prepared: Sequence[Prepared]) -> list[SessionAnswer]:
    return [
        each.answer(number, rows) for (number, _, rows), each in zip(entries, prepared, strict=True)
    ]


def _none_stored(entries: Sequence[Entry], prepared: Sequence[Prepared]) -> list[SessionAnswer]:
    for each in prepared:
        if each.decision != "refused":
            each.decision = "refused"
            text = "Not stored, since another session was refused (atomic=true)"
            each.draft.findings.told((), "processing", text)
    return _answers(entries, prepared)


def _fallen(entry: Entry, error: HyoidError) -> SessionAnswer:
    number, draft, rows = entry
    return SessionAnswer(
        number=number,
        session=draft.value,
        status="refused",
        issues=[*draft.findings.issues, *error.issues],
        revision=draft.note.revision,
        rows=rows,
        http=error.status,
    )


def batches(entries: Iterator[Entry], size: int) -> Iterator[list[Entry]]:
    """The entries in groups, each of which becomes one unit of work."""
    while batch := list(islice(entries, size)):
        yield batch
