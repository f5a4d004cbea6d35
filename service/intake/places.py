"""Where in what was sent does a fault lie? A JSON pointer (RFC 6901), or a row and a column."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Protocol

from service.errors import Issue, Severity

Path = tuple[str | int, ...]
"""Names and positions below the session note: `("measures", 1, "value")`."""


class Places(Protocol):
    """Tells a path in words of the sender."""

    def of(self, path: Path) -> str:
        """The place of a part of the note."""
        ...


@dataclass(frozen=True, slots=True)
class Pointers:
    """Places in a JSON body; `prefix` leads to the note."""

    prefix: Path = ()

    def of(self, path: Path) -> str:
        """`/sessions/0/measures/1/value`."""
        steps = (str(step).replace("~", "~0").replace("/", "~1") for step in self.prefix + path)
        return "".join(f"/{step}" for step in steps)


@dataclass(frozen=True, slots=True)
class Cells:
    """Places in a table: the row of each item, and of each cell that speaks of the session."""

    rows: Mapping[Path, int]
    columns: Mapping[tuple[str, ...], str]
    first: int

    def of(self, path: Path) -> str:
        """`row 7, column value`."""
        for length in range(len(path), 0, -1):
            row = self.rows.get(path[:length])
            if row is not None:
                break
        else:
            row = self.first
        names = tuple(step for step in path if isinstance(step, str))
        for length in range(len(names), 0, -1):
            column = self.columns.get(names[:length])
            if column is not None:
                return f"row {row}, column {column}"
        column = self.columns.get(names[-1:])
        return f"row {row}, column {column}" if column else f"row {row}"


@dataclass(slots=True)
class Findings:
    """What was found in one session, in the order it was found."""

    places: Places
    strict: bool = False
    issues: list[Issue] = field(default_factory=list)

    @property
    def refused(self) -> bool:
        """Whether something was found for which the session is not stored."""
        return any(issue.severity in ("error", "fatal") for issue in self.issues)

    def error(self, path: Path, code: str, text: str) -> None:
        """Something for which the session is refused."""
        self._add("error", path, code, text)

    def warning(self, path: Path, code: str, text: str) -> None:
        """Something to be looked at; the session is stored."""
        self._add("warning", path, code, text)

    def told(self, path: Path, code: str, text: str) -> None:
        """Something good to know."""
        self._add("information", path, code, text)

    def _add(self, severity: Severity, path: Path, code: str, text: str) -> None:
        self.issues.append(Issue(severity, code, text, location=self.places.of(path) or "/"))
