"""Which sessions do the rows of a table make? Rows of one session may stand anywhere in it.

So the rows are put aside on disk (a temporary SQLite database of this process, not the store) and
taken out session by session: memory stays the same however long the table is. Of several
revisions of a session in one table the highest counts.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from typing import Any

import orjson

from service.errors import Issue
from service.intake.columns import ITEM_LISTS, Column, columns, places
from service.intake.csv_cells import CellError, Context, Layout, day_of, read_cell
from service.intake.csv_rows import Row, lines_of, rows_of
from service.intake.drafts import Read, Reading, drafted
from service.intake.places import Cells, Findings, Path

Json = dict[str, Any]

_MAKE = (
    "PRAGMA journal_mode = OFF",
    "PRAGMA synchronous = OFF",
    "PRAGMA cache_size = -4096",
    "CREATE TABLE row_aside (session TEXT, revision INTEGER, number INTEGER, content BLOB)",
)
_PUT = "INSERT INTO row_aside VALUES (?, ?, ?, ?)"
_INDEX = "CREATE INDEX of_session ON row_aside (session, revision, number)"
_SESSIONS = (
    "CREATE TABLE session_aside AS SELECT session, MAX(revision) revision, MIN(number) first"
    " FROM row_aside GROUP BY session ORDER BY first"
)
_TAKE = "SELECT number, revision, content FROM row_aside WHERE session = ? ORDER BY number"


@dataclass(frozen=True, slots=True)
class Table:
    """How many rows a table has, and its sessions: to be gone through once."""

    rows: int
    sessions: Iterator[Read]

    def __iter__(self) -> Iterator[Read]:
        return self.sessions


@dataclass(slots=True)
class _Group:
    """The rows of one session, on their way to become a note."""

    raw: Json = field(default_factory=dict)
    rows: dict[Path, int] = field(default_factory=dict)
    numbers: list[int] = field(default_factory=list)
    faults: list[tuple[Path, str, str]] = field(default_factory=list)
    scales: dict[tuple[str, str], int] = field(default_factory=dict)


@contextmanager
def read_table(chunks: Iterable[bytes], reading: Reading, layout: Layout) -> Iterator[Table]:
    """The sessions of a table, in the order in which they first appear.

    Raises Malformed or Invalid for a header that cannot be used.
    """
    # An empty name: a database on disk that only this connection knows, gone when it is closed.
    with closing(sqlite3.connect("", isolation_level=None)) as aside:
        for statement in _MAKE:
            aside.execute(statement)
        aside.execute("BEGIN")
        aside.executemany(_PUT, _put_aside(rows_of(lines_of(chunks), layout.delimiter)))
        aside.execute(_INDEX)
        aside.execute(_SESSIONS)
        aside.execute("COMMIT")
        rows = aside.execute("SELECT COUNT(*) FROM row_aside").fetchone()[0]
        yield Table(rows, _sessions(aside, reading, layout))


def _put_aside(rows: Iterable[Row]) -> Iterator[tuple[str, int, int, bytes]]:
    for row in rows:
        session = row.cells.get("session")
        key = f"{row.cells.get('clinic', '')} {session}" if session else f"\x00{row.number}"
        revision = row.cells.get("revision", "1")
        # Of more digits than the cell may have: refused when it is read.
        newest = int(revision[:12]) if revision.isascii() and revision.isdigit() else 1
        content = orjson.dumps((row.cells, row.fault))
        yield key, newest, row.number, content


def _sessions(aside: sqlite3.Connection, reading: Reading, layout: Layout) -> Iterator[Read]:
    for key, revision in aside.execute("SELECT session, revision FROM session_aside"):
        group, late = _Group(), []
        for number, own_revision, content in aside.execute(_TAKE, (key,)):
            if own_revision < revision:
                late.append(number)
                continue
            cells, fault = orjson.loads(content)
            _enter(group, Row(number, cells, fault, 0), layout)
        yield _read(group, late, revision, reading)


def _read(group: _Group, late: list[int], revision: int, reading: Reading) -> Read:
    findings = Findings(Cells(group.rows, places(), group.numbers[0]), reading.strict)
    for path, code, text in group.faults:
        findings.error(path, code, text)
    told = {issue.location for issue in findings.issues}
    own = len(findings.issues)
    draft = drafted(group.raw, reading, findings)
    broken = any(path[0] == "row" for path, _, _ in group.faults)
    # What a cell that could not be read leaves behind is no fault of its own.
    findings.issues[own:] = [
        issue
        for issue in findings.issues[own:]
        if issue.location not in told and not (broken and issue.code == "required")
    ]
    for number in late:
        text = f"Left out: revision {revision} of this session is in the same table"
        findings.issues.append(Issue("warning", "duplicate", text, location=f"row {number}"))
    if draft is not None:
        draft.read_with = len(findings.issues)
    session = group.raw.get("session")
    return Read(draft, findings, session, group.numbers)


def _enter(group: _Group, row: Row, layout: Layout) -> None:
    """Put a row into the note of its session."""
    group.numbers.append(row.number)
    if row.fault is not None:
        if "session" in row.cells:
            group.raw.setdefault("session", row.cells["session"])
        group.rows["row", row.number] = row.number
        group.faults.append((("row", row.number), "structure", row.fault))
        return
    day = _day(group, row, layout)
    context = Context(layout, day)
    for name, text in row.cells.items():
        if columns()[name].parts == ("session",) and name != "date":
            _enter_session(group, row, columns()[name], text, context)
    _enter_item(group, row, context)


def _day(group: _Group, row: Row, layout: Layout) -> str | None:
    text = row.cells.get("date")
    if text is None:
        return None
    try:
        return day_of(text, layout)
    except CellError as error:
        group.rows.setdefault(("date",), row.number)
        group.faults.append((("date",), "value", str(error)))
        return None


def _enter_session(group: _Group, row: Row, column: Column, text: str, context: Context) -> None:
    """A cell that speaks of the whole session: it may be repeated, but not differ."""
    path: Path = (column.field,)
    value = _cell(group, row, column, text, context, path)
    if value is None:
        return
    if column.type in ("clinic", "zone"):
        name = "identifiers" if column.type == "clinic" else "timeZone"
        holder, field_name = group.raw.setdefault("clinic", {}), name
    else:
        holder, field_name = group.raw, column.field
    if field_name not in holder:
        holder[field_name] = value
        group.rows[path] = row.number
    elif holder[field_name] != value:
        # Under a path of its own, so that the finding tells this row and not the first.
        own = (column.field, row.number)
        group.rows[own] = row.number
        first = group.rows[path]
        group.faults.append(
            (own, "conflict", f"{text[:60]!r} is not what row {first} says of the same session")
        )


def _enter_item(group: _Group, row: Row, context: Context) -> None:
    """What the row itself is about: a technique, a measure, an event, an answer; or nothing."""
    named = {name: columns()[name] for name in row.cells if columns()[name].parts != ("session",)}
    makers = [column for column in named.values() if column.makes]
    own = ("row", row.number)
    if len(makers) > 1:
        group.rows[own] = row.number
        told = " and ".join(column.name for column in makers)
        text = f"{told} stand in one row: one row is one of them"
        group.faults.append((own, "structure", text))
        return
    if not makers:
        if named:
            group.rows[own] = row.number
            text = f"{', '.join(named)}: the row names no technique, measure, event or scale"
            group.faults.append((own, "required", text))
        return
    kind = makers[0].makes
    assert kind in ITEM_LISTS
    if kind == "scales":
        _enter_answer(group, row, context)
        return
    items: list[Json] = group.raw.setdefault(kind, [])
    path = (kind, len(items))
    group.rows[path] = row.number
    item: Json = {}
    for name, column in named.items():
        where = (*path, column.field)
        if kind not in column.parts:
            group.rows[(*path, name)] = row.number
            text = f"{name} has no meaning in the row of a {makers[0].name}"
            group.faults.append(((kind, len(items), name), "structure", text))
            continue
        value = _cell(group, row, column, row.cells[name], context, where)
        if value is not None:
            item[column.field] = value
    items.append(item)


def _enter_answer(group: _Group, row: Row, context: Context) -> None:
    """One answer of a scale; the answers of one scale are one item of the note."""
    scales: list[Json] = group.raw.setdefault("scales", [])
    scale, number = row.cells["scale"], row.cells.get("item", "")
    place = group.scales.setdefault((number, scale), len(scales))
    if place == len(scales):
        scales.append({"scale": scale, "answers": {}} | ({"id": number} if number else {}))
        group.rows["scales", place] = row.number
    question, text = row.cells.get("question"), row.cells.get("answer")
    path: Path = ("scales", place, "answers", question or f"row {row.number}")
    if question is None or text is None:
        group.rows[path] = row.number
        missing = "question" if question is None else "answer"
        group.faults.append((path, "required", f"This row has a scale but no {missing}"))
        return
    answers = scales[place]["answers"]
    if question in answers:
        path = (*path, row.number)
    group.rows[path] = row.number
    value = _cell(group, row, columns()["answer"], text, context, path)
    if question in answers and answers[question] != value:
        group.faults.append((path, "conflict", f"The question {question} is answered twice"))
    answers.setdefault(question, value)


def _cell(group: _Group, row: Row, column: Column, text: str, context: Context, path: Path) -> Any:
    try:
        return read_cell(column.type, text, context)
    except CellError as error:
        if column.parts == ("session",):
            path = (column.field, row.number)
            group.rows[path] = row.number
        group.faults.append((path, "value", str(error)))
        return None
