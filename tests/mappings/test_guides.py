"""Do resources that keep to our profiles have what US Core and two other HL7 guides must have?

Outside source: guide_facts.json, each fact with the file of the guide it was read in.
"""

from __future__ import annotations

import functools
import json
from pathlib import Path
from typing import Any

import pytest

from service.data import mappings
from tests.examples.invented import final

OWN = "https://hyoid.example/fhir/StructureDefinition/"
FACTS = json.loads(Path(__file__).with_name("guide_facts.json").read_bytes())["facts"]
NAMES = [f"{fact['profile']}-{fact['ours']}" for fact in FACTS]

Resource = dict[str, Any]


def values(resource: Any, path: str) -> list[Any]:
    """Everything at a path of JSON names."""
    found = [resource]
    for name in path.split("."):
        held = [each.get(name) for each in found if isinstance(each, dict)]
        found = [v for each in held for v in (each if isinstance(each, list) else [each])]
    return [value for value in found if value is not None]


def categories(resource: Resource) -> set[str]:
    return set(values(resource, "category.coding.code"))


@functools.cache
def kept(ours: str) -> tuple[Resource, ...]:
    """Resources of the invented clinic that name a profile of ours."""
    url = OWN + ours
    return tuple(r for r in final() if url in r.get("meta", {}).get("profile", ()))


def concerned(fact: Resource) -> list[Resource]:
    when = fact.get("when")
    found = [r for r in kept(fact["ours"]) if when is None or when in categories(r)]
    assert found
    return found


@pytest.mark.parametrize("fact", FACTS, ids=NAMES)
def test_every_resource_has_what_is_mandatory(fact: Resource) -> None:
    for resource in concerned(fact):
        for path in fact["mandatory"]:
            assert values(resource, path), (path, resource["identifier"])
        for path in fact.get("none", ()):
            assert not values(resource, path), path
        for wanted in fact.get("codes", ()):
            assert categories(resource) & set(wanted), resource["identifier"]
        for reference in values(resource, "performer.reference") if "performer" in fact else ():
            assert reference.partition("/")[0] in fact["performer"]


@pytest.mark.parametrize("fact", FACTS, ids=NAMES)
def test_what_must_be_supported_is_there_somewhere(fact: Resource) -> None:
    for path in fact["supported"]:
        assert any(values(resource, path) for resource in concerned(fact)), path


@pytest.mark.parametrize("fact", FACTS, ids=NAMES)
def test_our_profiles_ask_for_what_is_mandatory(fact: Resource) -> None:
    """But for a value, which may be absent with its reason, and what performed needs."""
    raw = json.loads(mappings("profiles", f"{fact['ours']}.json").read_bytes())
    least = {e["id"].partition(".")[2]: e["min"] for e in raw["snapshot"]["element"]}
    for path in fact["mandatory"]:
        choices = {"performedPeriod": "performed[x]", "effectiveDateTime": "effective[x]"}
        if path.startswith("value"):
            continue
        assert least[choices.get(path, path)] >= 1, path


def test_what_nobody_of_staff_reported_is_the_only_exception() -> None:
    """Personal Functioning and Engagement wants staff as performer: what the helper at home
    counts keeps to our profile and to US Core's simple observation only."""
    others = [
        resource
        for resource in kept("outcome-measure")
        if not {"survey", "exam", "vital-signs"} & categories(resource)
    ]
    assert {code for r in others for code in values(r, "code.coding.code")} == {
        "home-practice-days"
    }
