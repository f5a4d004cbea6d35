"""Which techniques does a plan, an order or a session hold, and does a rule concern them?

R4: CarePlan.activity, ServiceRequest, Procedure, RequestGroup.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from service.therapy.cautions.rules import Concerns
from service.therapy.references import TECHNIQUES, words
from service.therapy.techniques import (
    Catalogue,
    Code,
    Technique,
    codes_of,
    extensions_of,
    stimulus_facts,
)

Resource = dict[str, Any]

_ENDED = frozenset({"entered-in-error", "revoked", "completed", "cancelled", "stopped", "not-done"})


@dataclass(frozen=True, slots=True)
class Ordered:
    """A technique as ordered or given; `technique` is None where the catalogue has none."""

    title: str
    technique: Technique | None
    facts: frozenset[str]
    unknown: bool = False


def is_concerned(ordered: Ordered, concerns: Concerns) -> bool:
    """Whether a rule bears on this technique.

    A code of our technique system that no file describes is taken as concerned: nobody can say
    what it does.
    """
    if ordered.unknown or ordered.facts & concerns.stimulus:
        return True
    return ordered.technique is not None and bool(ordered.technique.cautions & concerns.listed)


def ordered_in(
    resource: Resource, catalogue: Catalogue, held: Mapping[str, Resource]
) -> Iterator[Ordered]:
    """The techniques of a plan, order, procedure or definition.

    `held` has what references in it lead to: `#id` of what is contained, `ServiceRequest/1`.
    """
    kind = resource.get("resourceType")
    if kind == "Procedure":
        if resource.get("status") not in ("entered-in-error", "not-done"):
            yield from _one(resource, catalogue)
    elif resource.get("status") in _ENDED or resource.get("doNotPerform"):
        return
    elif kind in ("ServiceRequest", "ActivityDefinition"):
        yield from _one(resource, catalogue)
    elif kind == "CarePlan":
        inside = {**held, **contained_of(resource)}
        for activity in resource.get("activity", ()):
            yield from _activity(activity, catalogue, inside)
    elif kind == "RequestGroup":
        for reference in group_references(resource):
            if reference in held:
                yield from ordered_in(held[reference], catalogue, held)


def references_of(plan: Resource) -> list[str]:
    """What the activities of a CarePlan refer to outside of it, once each."""
    own = contained_of(plan)
    found = [reference_of(each.get("reference")) for each in plan.get("activity", ())]
    groups = [each for each in own.values() if each.get("resourceType") == "RequestGroup"]
    found += [reference for group in groups for reference in group_references(group)]
    return [each for each in dict.fromkeys(found) if each and each not in own]


def contained_of(resource: Resource) -> dict[str, Resource]:
    """What a resource contains, by the reference to it."""
    return {f"#{each['id']}": each for each in resource.get("contained", ()) if "id" in each}


def group_references(group: Resource) -> Iterator[str]:
    """The resources that the actions of a RequestGroup refer to."""
    for action in group.get("action", ()):
        yield reference_of(action.get("resource"))
        yield from group_references(action)


def reference_of(reference: Resource | None) -> str:
    """The literal reference, or nothing."""
    return str((reference or {}).get("reference") or "")


def _activity(
    activity: Resource, catalogue: Catalogue, held: Mapping[str, Resource]
) -> Iterator[Ordered]:
    detail = activity.get("detail")
    if detail is not None and detail.get("status") not in _ENDED:
        yield from _one(detail, catalogue)
    target = held.get(reference_of(activity.get("reference")))
    if target is not None and target.get("resourceType") != "CarePlan":
        yield from ordered_in(target, catalogue, held)


def _one(resource: Resource, catalogue: Catalogue) -> Iterator[Ordered]:
    technique = catalogue.of(resource)
    stimuli = _stimuli(resource) or (technique.stimuli[:1] if technique else ())
    facts: frozenset[str] = frozenset().union(*(stimulus_facts().get(s, ()) for s in stimuli))
    codes = codes_of(resource.get("code"))
    unknown = technique is None and any(system == TECHNIQUES for system, _ in codes)
    if technique is not None or stimuli or unknown:
        title = technique.title if technique else words(resource.get("code"))
        yield Ordered(title or "a technique", technique, facts, unknown)


def _stimuli(resource: Resource) -> tuple[Code, ...]:
    return tuple(
        code
        for each in extensions_of(resource, "stimulus")
        for code in codes_of(each.get("valueCodeableConcept"))
    )
