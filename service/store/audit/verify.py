"""Is the audit log whole? Reads it from its beginning and computes the chain anew."""

from __future__ import annotations

from dataclasses import dataclass

from service.store.audit.access import decoded
from service.store.audit.log import GENESIS, link
from service.store.engine import Database

_ROWS = "SELECT n, at, agent, body, chain FROM audit_event WHERE n > ? ORDER BY n LIMIT ?"
_ENTITIES = "SELECT n, reference, at FROM audit_entity WHERE n > ? AND n <= ? ORDER BY n, reference"
_BEYOND = "SELECT n FROM audit_entity WHERE n > ? LIMIT 1"
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
    n, chain = 0, GENESIS
    noted = known is None or known == (0, GENESIS)
    with database.reader(snapshot=True) as connection:
        while rows := connection.rows(_ROWS, (n, _PAGE)):
            found: dict[int, list[tuple[str, int]]] = {}
            for number, *place in connection.rows(_ENTITIES, (n, rows[-1][0])):
                found.setdefault(number, []).append((place[0], place[1]))
            for number, at, agent, raw, kept in rows:
                body = bytes(raw)
                if number != n + 1:
                    return Verdict(n, chain, f"row {n + 1} is missing")
                if link(chain, number, body) != bytes(kept):
                    return Verdict(n, chain, f"row {number} is not what was written")
                access = decoded(body)
                if (access.at, access.agent) != (at, agent):
                    return Verdict(n, chain, f"row {number} has another time or agent beside it")
                if [(reference, at) for reference in sorted(access.references())] != found.get(
                    number, []
                ):
                    return Verdict(n, chain, f"row {number} is found by something else")
                n, chain = number, bytes(kept)
                if known is not None and known[0] == n:
                    if known[1] != chain:
                        return Verdict(n - 1, chain, f"row {n} is not the one that was noted")
                    noted = True
        if connection.row(_BEYOND, (n,)):
            return Verdict(n, chain, f"rows after {n} are missing")
    if not noted:
        return Verdict(n, chain, "the rows up to the one that was noted are missing")
    return Verdict(n, chain)
