"""Which rows does a table hold? RFC 4180, with comma, semicolon or tab, in UTF-8.

Read line by line. A quote that is never closed costs its own line, not the rest of the table.
"""

from __future__ import annotations

import csv
from collections import deque
from collections.abc import Iterable, Iterator
from io import StringIO
from itertools import islice
from typing import NamedTuple

from service.errors import Invalid, Issue, Malformed
from service.intake.columns import Column, column_of, required_columns

LONGEST_LINE = 1 << 20
_MOST_LINES = 50
"""Lines that one cell may go over."""


class Row(NamedTuple):
    """Cells by column; `number` is the line in the file, `fault` says why there are none."""

    number: int
    cells: dict[str, str]
    fault: str | None
    size: int


def lines_of(chunks: Iterable[bytes]) -> Iterator[bytes]:
    """Lines with their ends; a line that is too long comes without the rest of it."""
    rest = b""
    for chunk in chunks:
        rest += chunk
        *whole, rest = rest.split(b"\n")
        for line in whole:
            yield line[:LONGEST_LINE] + b"\n"
        if len(rest) > 2 * LONGEST_LINE:
            rest = rest[: LONGEST_LINE + 1]
    if rest:
        yield rest[: LONGEST_LINE + 1]


def rows_of(lines: Iterable[bytes], delimiter: str | None) -> Iterator[Row]:
    """The rows below the header. Raises Malformed or Invalid for a header that cannot be used."""
    numbered = iter(enumerate(lines, start=1))
    for number, raw in numbered:
        if not _is_blank(raw):
            mark = delimiter or _delimiter(raw)
            header = _header(raw, mark, number)
            break
    else:
        raise Malformed("The table is empty: it needs a header row", location="row 1")
    for number, raw in _records(numbered, mark):
        if not _is_blank(raw):
            yield _row(number, raw, header, mark)


def _is_blank(raw: bytes) -> bool:
    return not raw.strip(b"\r\n\t ,;\xef\xbb\xbf")


def _records(numbered: Iterator[tuple[int, bytes]], delimiter: str) -> Iterator[tuple[int, bytes]]:
    """Lines, joined where a quoted cell goes over several.

    Only where that makes a row: else a lone quote would take the rows after it with it.
    """
    waiting: deque[tuple[int, bytes]] = deque()
    while waiting or (waiting := deque(islice(numbered, 1))):
        number, line = waiting.popleft()
        joined, taken = line, 0
        while joined.count(b'"') % 2 and taken < _MOST_LINES:
            if taken == len(waiting):
                waiting.extend(islice(numbered, 1))
            if taken == len(waiting):
                break
            joined += waiting[taken][1]
            taken += 1
        if taken and _is_row(joined, delimiter):
            for _ in range(taken):
                waiting.popleft()
            yield number, joined
        else:
            yield number, line


def _is_row(raw: bytes, delimiter: str) -> bool:
    try:
        _cells(raw, delimiter)
    except ValueError:
        return False
    return True


def _delimiter(header: bytes) -> str:
    return max((",", ";", "\t"), key=lambda mark: header.count(mark.encode()))


def _cells(raw: bytes, delimiter: str) -> list[str]:
    """The cells of one record. Raises ValueError telling what is wrong."""
    if len(raw) > LONGEST_LINE:
        raise ValueError("this row is too long")
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError:
        raise ValueError("this row is not UTF-8") from None
    if "\x00" in text:
        raise ValueError("this row holds a NUL character")
    try:
        lines = StringIO(text.rstrip("\r\n"), newline="")
        found = list(csv.reader(lines, delimiter=delimiter, strict=True))
    except csv.Error:
        raise ValueError("the quotes in this row do not match") from None
    if len(found) != 1:
        raise ValueError("the quotes in this row do not match")
    return [cell.strip() for cell in found[0]]


def _header(raw: bytes, delimiter: str, row: int) -> list[Column]:
    try:
        names = _cells(raw.removeprefix(b"\xef\xbb\xbf"), delimiter)
    except ValueError as error:
        raise Malformed(f"The header cannot be read: {error}", location=f"row {row}") from None
    found, issues, seen = [], [], set()
    for place, name in enumerate(names, start=1):
        column = column_of(name)
        if column is None:
            text = f"There is no column {name[:60]!r}" if name else f"Column {place} has no name"
            issues.append(
                Issue("error", "structure", text, location=f"row {row}, column {name[:60]}")
            )
        elif column.name in seen:
            text = f"The column {column.name} is there twice"
            issues.append(Issue("error", "duplicate", text, location=f"row {row}, column {name}"))
        else:
            seen.add(column.name)
            found.append(column)
    for name in required_columns():
        if name not in seen:
            issues.append(
                Issue("error", "required", f"The column {name} is missing", location=f"row {row}")
            )
    if issues:
        raise Invalid(issues=issues)
    return found


def _row(number: int, raw: bytes, header: list[Column], delimiter: str) -> Row:
    size = len(raw)
    try:
        cells = _cells(raw, delimiter)
    except ValueError as error:
        return Row(number, _guess(raw, header, delimiter), str(error), size)
    named = {column.name: cell for column, cell in zip(header, cells, strict=False) if cell}
    if len(cells) > len(header) and any(cells[len(header) :]):
        fault = f"this row has {len(cells)} cells, the header {len(header)}"
        return Row(number, named, fault, size)
    return Row(number, named, None, size)


def _guess(raw: bytes, header: list[Column], delimiter: str) -> dict[str, str]:
    """The cells before any quote: enough to tell whose session a broken row belongs to."""
    text = raw.decode("utf-8", "replace").partition('"')[0]
    cells = (
        text.split(delimiter)[:-1]
        if '"' in raw.decode("utf-8", "replace")
        else text.split(delimiter)
    )
    return {
        column.name: cell.strip()
        for column, cell in zip(header, cells, strict=False)
        if cell.strip() and column.name in ("session", "revision", "clinic")
    }
