"""Which are the last Observations of each code? (R4, OperationDefinition Observation-lastn)

Codes are the same where system and code are; an Observation with two codings makes their groups
one. Observations whose code is a text alone are grouped by the text. Equal times at the end of
a group all count, so that there may be more than asked for.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

from service.caller import Caller
from service.errors import TooCostly
from service.standard.codec import decode_resource
from service.standard.definitions import definitions
from service.standard.searching.query import SearchQuery
from service.store.connection import Connection, Row
from service.store.rows import Stored
from service.store.searching.bodies import fetch
from service.store.searching.limits import DEFAULT, Limits
from service.store.searching.plans import read_page
from service.store.searching.search import plan_of
from service.store.sql import batches, marks, padded
from service.store.visibility import sees_nothing

MOST = 50_000
"""Observations looked at; of one client over some years there are fewer."""

_NEVER = -(2**63)

Code = tuple[str, str]


def latest(
    connection: Connection,
    caller: Caller,
    query: SearchQuery,
    most: int,
    limits: Limits = DEFAULT,
) -> list[Stored]:
    """The last `most` matches of each code, from the most recent to the oldest.

    Raises TooCostly where more than `MOST` match.
    """
    if sees_nothing(caller, "s", query.types):
        return []
    plain = replace(query, shape=replace(query.shape, sort=(), cursor=None))
    page = read_page(plan_of(connection, caller, plain, limits), None, MOST)
    if page.after is not None:
        raise TooCostly("The search matches too many Observations; narrow it, by code or date")
    rids: list[int] = [key[-1] for key in page.keys]
    times = _times(connection, rids)
    kept: list[int] = []
    for group in _groups(connection, rids):
        kept += _last(group, times, most)
    kept.sort(key=lambda rid: (times.get(rid, _NEVER), rid), reverse=True)
    return list(fetch(connection, kept))


def _last(group: Sequence[int], times: dict[int, int], most: int) -> list[int]:
    ordered = sorted(group, key=lambda rid: (times.get(rid, _NEVER), rid), reverse=True)
    if len(ordered) <= most:
        return ordered
    edge = times.get(ordered[most - 1])
    ties = [rid for rid in ordered[most:] if edge is not None and times.get(rid) == edge]
    return ordered[:most] + ties


def _groups(connection: Connection, rids: Sequence[int]) -> Iterable[list[int]]:
    codes = _codes(connection, rids)
    root: dict[Code, Code] = {}

    def find(code: Code) -> Code:
        while (above := root.setdefault(code, code)) != code:
            code = above
        return code

    for own in codes.values():
        for code in own[1:]:
            root[find(code)] = find(own[0])
    groups: dict[Code, list[int]] = defaultdict(list)
    for rid in rids:
        groups[find(codes[rid][0])].append(rid)
    return groups.values()


def _codes(connection: Connection, rids: Sequence[int]) -> dict[int, list[Code]]:
    codes: dict[int, list[Code]] = defaultdict(list)
    for rid, system, code in _rows(connection, "rid, system, code", "index_token", "code", rids):
        codes[rid].append((system, code))
    uncoded = [rid for rid in rids if rid not in codes]
    for stored in fetch(connection, uncoded):
        text = decode_resource(stored.body or b"").get("code", {}).get("text", "")
        # No system is a line break, so a text never meets a code.
        codes[stored.rid].append(("\n", text))
    return codes


def _times(connection: Connection, rids: Sequence[int]) -> dict[int, int]:
    return dict(_rows(connection, "rid, low", "index_date", "date", rids))


def _rows(
    connection: Connection, columns: str, table: str, code: str, rids: Sequence[int]
) -> Iterator[Row]:
    number = definitions().parameter_number("Observation", code)
    for batch in map(padded, batches(rids)):
        yield from connection.rows(
            f"SELECT {columns} FROM {table} WHERE rid IN ({marks(len(batch))}) AND param = ?",
            (*batch, number),
        )
