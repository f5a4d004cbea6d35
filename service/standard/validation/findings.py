"""What has been found so far, and where are we?

A place is a linked tuple, so that a walk that finds nothing never builds a text. It is told as
the simple FHIRPath that OperationOutcome.issue.expression asks for: element names, with an
index where the element repeats; choices by the name of the choice (`Observation.value`).
"""

from __future__ import annotations

from typing import Any, NamedTuple

from service.errors import Issue, Severity

MAX_ISSUES = 500
"""A body of many megabytes may have a fault in every element; nobody reads them all.

So many errors, and besides so many warnings: those alone refuse nothing.
"""

_SHOWN = 60


class EnoughError(Exception):
    """So much is wrong that looking further is of no use."""


class Place(NamedTuple):
    """An element: its parent, its name and, in a list, its number from 0 (else None)."""

    parent: Place | None
    name: str
    number: int | None = None

    def __str__(self) -> str:
        steps: list[str] = []
        place: Place | None = self
        while place is not None:
            number = "" if place.number is None else f"[{place.number}]"
            steps.append(f"{place.name}{number}")
            place = place.parent
        return ".".join(reversed(steps))


class Context:
    """One validation: the issues, and the resources around the element that is looked at.

    `resource` is the one the element belongs to and `root` its container if it is contained,
    else itself. `bundle` is the Bundle around, if there is one, and `entries` are the resources
    of its entries by fullUrl. `contained` are the resources in `root` by id.
    """

    __slots__ = (
        "bundle",
        "contained",
        "entries",
        "errors",
        "foreign",
        "issues",
        "resource",
        "root",
    )

    def __init__(self, resource: dict[str, Any]) -> None:
        self.issues: list[Issue] = []
        self.errors = 0
        self.resource = resource
        self.root = resource
        self.bundle: dict[str, Any] | None = None
        self.entries: dict[str, dict[str, Any]] = {}
        self.contained: dict[str, dict[str, Any]] = {}
        self.foreign = False
        """A resource was met whose type the elements tables do not hold."""

    def add(self, code: str, text: str, place: Place, severity: Severity = "error") -> None:
        if severity in ("fatal", "error"):
            if self.errors >= MAX_ISSUES:
                raise EnoughError
            self.errors += 1
        elif len(self.issues) - self.errors >= MAX_ISSUES:
            return
        self.issues.append(Issue(severity, code, text, str(place)))

    def surroundings(self) -> tuple[Any, ...]:
        """What `restore` needs after a resource inside this one has been looked at."""
        return self.resource, self.root, self.bundle, self.entries, self.contained

    def restore(self, surroundings: tuple[Any, ...]) -> None:
        self.resource, self.root, self.bundle, self.entries, self.contained = surroundings


def shown(value: Any) -> str:
    """A piece of the input, short enough to be told."""
    text = repr(value) if isinstance(value, str) else kind_of(value)
    return text if len(text) <= _SHOWN else f"{text[:_SHOWN]}…"


def kind_of(value: Any) -> str:
    """What JSON calls this value."""
    if value is None:
        return "null"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "an object"
    if isinstance(value, list):
        return "an array"
    return "a string" if isinstance(value, str) else f"the number {str(value)[:20]}"
