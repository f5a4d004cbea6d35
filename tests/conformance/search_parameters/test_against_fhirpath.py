"""Does extraction find what the official expressions say, in every parameter of every type?

Outside source: the expressions of the official R4 package, evaluated by fhirpathpy, their nodes
made into rows by a converter written apart. Compared on HL7's official examples (as far as
`tests/conformance/examples` holds them), on the official definitions of the package, and on
instances in which everything is filled.
"""

from __future__ import annotations

import functools
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from service.standard.definitions import SearchParameter, definitions
from service.standard.registry import RESOURCE_TYPES
from service.standard.search_values import SearchValues, extract
from tests import official
from tests.conformance.search_parameters import naive, oracle
from tests.conformance.search_parameters.generated import Maker

EXAMPLES = Path(__file__).resolve().parents[1] / "examples"
MADE = 12
EVERY = 12
"""Of the thousands of official definitions each twelfth is compared."""


def test_every_type_has_examples() -> None:
    missing = {name for name in RESOURCE_TYPES if len(official_examples(name)) < 1}
    assert missing == {"StructureDefinition"}, "which the package itself is full of"


@pytest.mark.parametrize("type_", RESOURCE_TYPES)
def test_official_examples(type_: str) -> None:
    for example in official_examples(type_):
        compare(example)


@pytest.mark.parametrize("type_", RESOURCE_TYPES)
def test_instances_with_every_element(type_: str) -> None:
    for resource in made(type_):
        compare(resource)


@pytest.mark.parametrize("type_", ["StructureDefinition", "ValueSet", "CodeSystem", "ConceptMap"])
def test_official_definitions(type_: str) -> None:
    for resource in official.resources(type_)[::EVERY]:
        compare(resource)


def test_every_parameter_finds_something() -> None:
    """A comparison of nothing with nothing would show nothing."""
    silent = {
        f"{type_}?{parameter.code}"
        for type_ in RESOURCE_TYPES
        for values in [[extract(body) for body in (*made(type_), *official_examples(type_))]]
        for parameter in compared_parameters(type_)
        if not any(rows_of(parameter, found) for found in values)
    }
    assert silent == {
        "Device?din",  # its extension was never published
        "QuestionnaireResponse?item-subject",  # nor was this; tests/standard/extraction has one
        "ValueSet?end",  # shown by CodeSystem?end
        "ValueSet?keyword",
    }


def compare(resource: dict[str, Any]) -> None:
    values = extract(resource)
    for parameter in compared_parameters(resource["resourceType"]):
        assert rows_of(parameter, values) == expected(parameter, resource), (
            f"{parameter.type}?{parameter.code} of {resource.get('id')}"
        )


def compared_parameters(type_: str) -> Iterator[SearchParameter]:
    for parameter in definitions().search_parameters(type_).values():
        if parameter.kind not in ("composite", "special") and parameter.code not in (
            "_id",
            "_lastUpdated",
        ):
            yield parameter


def rows_of(parameter: SearchParameter, values: SearchValues) -> set[tuple[Any, ...]]:
    """Rows of one parameter, `grp` moved to the front, base units left out."""
    match parameter.kind:
        case "token":
            return {(grp, *row) for p, *row, grp in values.tokens if p == parameter.number}
        case "reference":
            return {(grp, *row) for p, *row, grp in values.references if p == parameter.number}
        case "date":
            return {(grp, *row) for p, *row, grp in values.dates if p == parameter.number}
        case "string":
            return {(grp, *row) for p, *row, grp in values.strings if p == parameter.number}
        case "uri":
            return {(grp, *row) for p, *row, grp in values.uris if p == parameter.number}
    return {(row[6], *row[1:6]) for row in values.quantities if row[0] == parameter.number}


def expected(parameter: SearchParameter, resource: dict[str, Any]) -> set[tuple[Any, ...]]:
    return {
        (group, *row)
        for group, type_, value, system in oracle.found(parameter.expression, resource)
        for row in naive.rows(parameter.kind, type_, value, system)
    }


def made(type_: str) -> Iterator[dict[str, Any]]:
    return (Maker(seed).resource(type_) for seed in range(MADE))


@functools.cache
def official_examples(type_: str) -> list[dict[str, Any]]:
    file = EXAMPLES / f"{type_}.ndjson"
    if not file.exists():
        return []
    return [json.loads(line)["resource"] for line in file.read_text("utf-8").splitlines()]
