"""Which columns may a table of session notes have? The table of mappings/intake/columns.json."""

from __future__ import annotations

import functools
import re
from collections.abc import Mapping
from dataclasses import dataclass

from service.intake.tables import table

ITEM_LISTS = ("techniques", "measures", "events", "scales")
_MARKS = re.compile(r"[\s_\-]+")


@dataclass(frozen=True, slots=True)
class Column:
    """A column: the parts of a note it speaks of, its field there, and the type of its cells."""

    name: str
    parts: tuple[str, ...]
    field: str
    type: str
    about: str
    required: bool
    makes: str | None
    """The list to which a row with a value here belongs."""


@functools.cache
def columns() -> Mapping[str, Column]:
    """All columns by name."""
    found = {}
    for row in table("columns")["columns"]:
        makes = row["of"][0] if row.get("makes") else None
        found[row["column"]] = Column(
            row["column"],
            tuple(row["of"]),
            row["field"],
            row["type"],
            row["about"],
            row.get("required", False),
            makes,
        )
    return found


def column_of(header: str) -> Column | None:
    """The column that a header means: `Strokes per side`, `strokes_per_side`, `strokesPerSide`."""
    return _by_plain_name().get(_plain(header))


@functools.cache
def required_columns() -> tuple[str, ...]:
    """Columns that no table can be without."""
    return tuple(name for name, column in columns().items() if column.required)


@functools.cache
def places() -> Mapping[tuple[str, ...], str]:
    """Column by the path of names in the note, for telling where a fault lies."""
    found: dict[tuple[str, ...], str] = {}
    for name, column in columns().items():
        for part in column.parts:
            path = (column.field,) if part == "session" else (part, column.field)
            found[path] = name
    for name in columns():
        # For a cell in a row where it has no meaning.
        found.setdefault((name,), name)
    found["scales", "answers"] = "answer"
    found["clinic", "timeZone"] = "timeZone"
    return found


@functools.cache
def _by_plain_name() -> Mapping[str, Column]:
    return {_plain(name): column for name, column in columns().items()}


def _plain(name: str) -> str:
    return _MARKS.sub("", name).lower()
