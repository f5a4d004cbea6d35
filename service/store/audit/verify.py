"""Is the audit log whole? Reads it from its beginning and computes the chain anew."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import chain as chained

from service.store.audit.access import decoded
from service.store.audit.log import GENESIS, link
from service.store.connection import Connection, Row
from service.store.engine import Database
from service.store.sql import batches, padded

_ROWS = "SELECT n, at, agent, body, chain FROM audit_event WHERE n > ? ORDER BY n LIMIT ?"
_FOUND_BY = "SELECT reference, at, n FROM audit_entity WHERE (reference, at, n) IN "
_ENTRIES = "SELECT count(*), max(n) FROM audit_entity"
_PAGE = 1000


@dataclass(frozen=True, slots=True)
class Verdict:
    """How many rows hold, the chain value of the last of them, and what is wrong after it."""

    rows: int
    chain: bytes
    fault: str = ""


def verify(database: Database, known: tuple[int, bytes] | None = None) -> Verdict:
    """Check the chain, and that what rows are found by is what stands in them.

    `known` are number and chain value of a row as noted earlier, elsewhere: rows that were cut
    off at the end, or a log that was written anew as a whole, are seen by nothing else.
    """
    n, chain, entries = 0, GENESIS, 0
    noted = known is None or known == (0, GENESIS)
    with database.reader(snapshot=True) as connection:
        while rows := connection.rows(_ROWS, (n, _PAGE)):
            wanted: list[Row] = []
            chains = {n: chain}
            for number, at, agent, raw, kept in rows:
                if number != n + 1:
                    return Verdict(n, chain, f"row {n + 1} is missing")
                body, linked = _stored(raw), _stored(kept)
                if body is None or linked is None or link(chain, number, body) != linked:
                    return Verdict(n, chain, f"row {number} is not what was written")
                try:
                    access = decoded(body)
                    found_by = [(each, at, number) for each in access.references()]
                    by_date = access.references_by_date()
                    found_by += [(each, access.recorded, number) for each in by_date]
                except (ValueError, TypeError, AttributeError):
                    return Verdict(n, chain, f"row {number} is no record of an access")
                if (access.at, access.agent) != (at, agent):
                    return Verdict(n, chain, f"row {number} has another time or agent beside it")
                wanted += found_by
                n, chain = number, linked
                chains[n] = chain
                if known is not None and known[0] == n:
                    if known[1] != chain:
                        return Verdict(n - 1, chain, f"row {n} is not the one that was noted")
                    noted = True
            entries += len(wanted)
            if missing := _missing(connection, wanted):
                number = min(number for _, _, number in missing)
                told = f"row {number} is found by something else"
                return Verdict(number - 1, chains[number - 1], told)
        ((count, last),) = connection.rows(_ENTRIES)
    if isinstance(last, int) and last > n:
        return Verdict(n, chain, f"rows after {n} are missing")
    if count != entries:
        return Verdict(n, chain, "rows are found by more than what stands in them")
    if not noted:
        return Verdict(n, chain, "the rows up to the one that was noted are missing")
    return Verdict(n, chain)


def _stored(value: object) -> bytes | None:
    """Bytes of a column; None where somebody put something else there, as SQLite allows."""
    return bytes(value) if isinstance(value, (bytes, memoryview)) else None


def _missing(connection: Connection, wanted: Sequence[Row]) -> set[Row]:
    """The entries that are not there."""
    missing = set(wanted)
    for part in map(padded, batches(wanted)):
        values = ", ".join(["(?, ?, ?)"] * len(part))
        rows = connection.rows(f"{_FOUND_BY}(VALUES {values})", tuple(chained.from_iterable(part)))
        missing.difference_update(rows)
    return missing
