"""What was asked of $document? Which Composition or plan, whether to keep it, in which form."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from service.errors import Invalid, NotSupported
from service.rest.negotiation import COMMON
from service.rest.parameters import only, truth
from service.standard.mentions import local_name

_OF_STORED = frozenset({"id", "persist"})
_OF_PLAN = frozenset({"patient", "plan", "author", "custodian", "title", "persist"})
_AUTHORS = frozenset(
    {"Practitioner", "PractitionerRole", "Device", "Patient", "RelatedPerson", "Organization"}
)
_LONGEST_TITLE = 500


@dataclass(frozen=True, slots=True)
class Asked:
    """A stored Composition (`composition`), or a plan to write one about; references as
    `Type/id`."""

    composition: str | None
    patient: str | None = None
    plan: str | None = None
    authors: tuple[str, ...] = ()
    custodian: str | None = None
    title: str | None = None
    persist: bool = False


def asked_of(given: Sequence[tuple[str, Any]], key: str | None, base: str) -> Asked:
    """`key` is the id in the address. Raises NotSupported or Invalid, naming the parameter."""
    given = [(name, value) for name, value in given if name not in COMMON]
    names = {name for name, _ in given}
    if "graph" in names:
        raise NotSupported(
            "$document follows the references of the Composition; a graph is not taken",
            location="http.graph",
        )
    of_plan = key is None and "id" not in names
    known = _OF_PLAN if of_plan else _OF_STORED - ({"id"} if key else set())
    for name in sorted(names - known):
        raise NotSupported(
            f"$document takes {', '.join(sorted(known))} here, not {name[:40]!r}",
            location=f"http.{name[:40]}",
        )
    persist = truth(only(given, "persist"), "persist")
    if not of_plan:
        wanted = key or _reference(only(given, "id"), "id", {"Composition"}, base)
        return Asked(f"Composition/{key}" if key else wanted, persist=persist)
    authors = [_reference(value, "author", _AUTHORS, base) for n, value in given if n == "author"]
    return Asked(
        None,
        _reference(only(given, "patient"), "patient", {"Patient"}, base),
        _reference(only(given, "plan"), "plan", {"CarePlan"}, base),
        tuple(dict.fromkeys(author for author in authors if author)),
        _reference(only(given, "custodian"), "custodian", {"Organization"}, base),
        _title(only(given, "title")),
        persist,
    )


def _reference(value: Any, name: str, kinds: set[str] | frozenset[str], base: str) -> str | None:
    """`Type/id` of a Reference, of its text, or, where only one type will do, of an id."""
    if value is None:
        return None
    text = value.get("reference") if isinstance(value, dict) else value
    if isinstance(text, str) and len(kinds) == 1 and "/" not in text:
        text = f"{next(iter(kinds))}/{text}"
    found = local_name(text, base) if isinstance(text, str) else None
    if found is None or found[0] not in kinds:
        raise Invalid(
            f"{name} is a reference to {' or '.join(sorted(kinds))} of this service",
            code="value",
            location=f"http.{name}",
        )
    return f"{found[0]}/{found[1]}"


def _title(value: Any) -> str | None:
    if value is None:
        return None
    text = str(value).strip()
    if not text or len(text) > _LONGEST_TITLE or not text.isprintable():
        raise Invalid(
            f"title is a line of at most {_LONGEST_TITLE} characters",
            code="value",
            location="http.title",
        )
    return text
