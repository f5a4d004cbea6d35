"""How is it told that a code, or what it belongs to, cannot be answered for?

R4: OperationDefinitions of ValueSet, CodeSystem and ConceptMap. "When a server cannot correctly
expand a value set because it does not fully understand the code systems … it SHALL return an
error" (ValueSet/$expand).
"""

from __future__ import annotations

from service.errors import Invalid, NotFound, TooCostly

_SHOWN = 120


def shown(text: str) -> str:
    """A piece of the input, short enough to be told."""
    return text if len(text) <= _SHOWN else f"{text[:_SHOWN]}…"


def canonical(url: str, version: str | None) -> str:
    """`url|version`, or the url alone."""
    return f"{url}|{version}" if version else url


class NotUnderstood(Invalid):
    """A code system is not held, or not in the way that would be needed."""

    status, code = 422, "not-supported"


def not_held(kind: str, url: str, version: str | None = None) -> NotFound:
    """The refusal for a canonical URL that leads nowhere."""
    return NotFound(f"No {kind} {shown(canonical(url, version))} is held here")


def system_not_held(url: str, version: str | None = None) -> NotUnderstood:
    """The refusal where codes of a system are asked for that is not held."""
    return NotUnderstood(
        f"The code system {shown(canonical(url, version))} is not held here", code="not-found"
    )


def only_in_part(url: str) -> NotUnderstood:
    """The refusal where all codes of a system would have to be known."""
    return NotUnderstood(
        f"The code system {shown(url)} is held here only in part: what is not in that part"
        " cannot be told"
    )


def too_costly(most: int) -> TooCostly:
    """The refusal of an expansion without end."""
    return TooCostly(
        f"The expansion has more than {most} codes: ask for pages with offset and count,"
        " or narrow it with filter"
    )
