"""What has been found so far, and where are we?

A place is a linked tuple, so that a walk that finds nothing never builds a text. It is told as
the simple FHIRPath that OperationOutcome.issue.expression asks for: element names, with an
index where the element repeats; choices by the name of the choice (`Observation.value`).
"""

from __future__ import annotations

from typing import Any, NamedTuple

from service.errors import Issue, Severity

_SHOWN = 60


class Place(NamedTuple):
    """An element: its parent, its name and, in a list, its number from 0 (else None)."""

    parent: Place | None
    name: str
    index: int | None = None

    def __str__(self) -> str:
        steps: list[str] = []
        place: Place | None = self
        while place is not None:
            index = "" if place.index is None else f"[{place.index}]"
            steps.append(f"{place.name}{index}")
            place = place.parent
        return ".".join(reversed(steps))


class Context:
    """One validation: the issues, and the resources around the element that is looked at.

    `resource` is the one the element belongs to and `root` its container if it is contained,
    else itself. `bundle` is the Bundle that is validated, if it is one.
    """

    __slots__ = ("bundle", "foreign", "issues", "resource", "root")

    def __init__(self, resource: dict[str, Any]) -> None:
        self.issues: list[Issue] = []
        self.resource = resource
        self.root = resource
        self.bundle: dict[str, Any] | None = None
        self.foreign = False
        """A resource was met whose type the elements tables do not hold."""

    def add(self, code: str, text: str, place: Place, severity: Severity = "error") -> None:
        self.issues.append(Issue(severity, code, text, str(place)))


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
