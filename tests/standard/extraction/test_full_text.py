"""What of a resource is text? Against the elements of the official package, for every type."""

from __future__ import annotations

from typing import Any

import pytest

from service.standard.extraction.full_text import (
    GAP,
    MOST_OF_ONE,
    MOST_WORDS,
    mark,
    marked_words,
    texts_of,
)
from service.standard.extraction.narratives import shown_text
from service.standard.extraction.words import words
from service.standard.registry import RESOURCE_TYPES
from tests import official

XHTML = 'xmlns="http://www.w3.org/1999/xhtml"'


@pytest.fixture(scope="module")
def snapshots() -> dict[str, Any]:
    return {
        found["type"]: found["snapshot"]["element"]
        for found in official.resources("StructureDefinition")
        if found.get("derivation") != "constraint" and "snapshot" in found
    }


def _primitives(elements: list[Any]) -> list[tuple[list[tuple[str, bool]], str]]:
    """Each primitive below a type: the names that lead to it, whether each repeats, its type."""
    repeats = {e["path"]: e["max"] not in ("0", "1") for e in elements}
    found = []
    for element in elements:
        steps = element["path"].split(".")
        for kind in element.get("type", ()):
            code = kind["code"].rpartition(".")[2]
            if len(steps) > 1 and code[0].islower():
                name = steps[-1].replace("[x]", code[0].upper() + code[1:])
                names = [*steps[1:-1], name]
                paths = [".".join(steps[: at + 2]) for at in range(len(names))]
                found.append(([(n, repeats[p]) for n, p in zip(names, paths, strict=True)], code))
    return found


def _nested(steps: list[tuple[str, bool]], value: Any) -> Any:
    for name, repeats in reversed(steps):
        value = {name: [value] if repeats else value}
    return value


@pytest.mark.parametrize("type_", RESOURCE_TYPES)
def test_strings_and_markdown_are_text_and_other_primitives_are_not(
    type_: str, snapshots: dict[str, Any]
) -> None:
    """Datatypes StructureDefinition of the official package (hl7.fhir.r4.core 4.0.1)."""
    primitives = _primitives(snapshots[type_])
    assert len(primitives) >= 3
    for steps, kind in primitives:
        held = {"resourceType": type_} | _nested(steps, "zebra")
        wanted = kind in ("string", "markdown") and steps[-1][0] != "id"
        assert texts_of(held) == (["zebra"] if wanted else []), (steps, kind)


def test_most_types_have_text_of_their_own(snapshots: dict[str, Any]) -> None:
    """Else the test above would show little."""
    having = {
        type_
        for type_ in RESOURCE_TYPES
        if any(kind in ("string", "markdown") for _, kind in _primitives(snapshots[type_]))
    }
    assert len(having) > len(RESOURCE_TYPES) / 2


@pytest.mark.parametrize(
    "datatype", ["HumanName", "Address", "Annotation", "Coding", "CodeableConcept", "Quantity"]
)
def test_datatypes_are_looked_into(datatype: str, snapshots: dict[str, Any]) -> None:
    for steps, kind in _primitives(snapshots[datatype]):
        held = {"resourceType": "Patient", "extension": [{f"value{datatype}": _nested(steps, "x")}]}
        wanted = kind in ("string", "markdown") and steps[-1][0] != "id"
        assert texts_of(held) == (["x"] if wanted else []), (datatype, steps)


def test_ids_are_no_text_and_what_is_within_counts() -> None:
    held = {
        "resourceType": "Observation",
        "id": "a",
        "identifier": [{"system": "urn:x", "value": "b", "type": {"text": "chart"}}],
        "subject": {"reference": "Patient/c", "display": "Anna"},
        "contained": [{"resourceType": "Device", "id": "d", "patient": {"display": "kept"}}],
        "_status": {"extension": [{"url": "u", "valueString": "beside"}]},
        "note": [{"text": "seen\nhere"}, {"text": "seen\nhere"}],
    }
    assert texts_of(held) == ["chart", "Anna", "kept", "beside", "seen\nhere"]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("Tongue-hold  swallow, 3x10!", ["tongue", "hold", "swallow", "3x10"]),
        ("Nováková ŠŤASTNÝ", ["novakova", "stastny"]),
        ("Nova\u0301kova\u0301", ["novakova"]),
        ("Straße ﬁne", ["strasse", "fine"]),
        ("snake_case", ["snake", "case"]),
        ("言語 療法", ["言語", "療法"]),
        (" .,- ", []),
        ("x" * 100, ["x" * 64]),
    ],
)
def test_words_are_folded_runs_of_letters_and_digits(text: str, expected: list[str]) -> None:
    """Folding: http://hl7.org/fhir/R4/search.html#string, case and combining characters."""
    assert words(text) == expected


def test_narratives_are_read_as_they_are_shown() -> None:
    div = (
        f"<div {XHTML}>One<p>two</p>th<b>re</b>e<!-- not this --> four"
        '<img src="a.png" alt="five"/><br/>si<br/>x &amp; &#233;</div>'
    )
    assert words(shown_text(div)) == ["one", "two", "three", "four", "five", "si", "x", "e"]
    assert shown_text("<div>broken") == ""


def test_marks_tell_type_and_place() -> None:
    resource = {
        "resourceType": "Goal",
        "text": {"div": f"<div {XHTML}>To speak</div>"},
        "description": {"text": "Louder"},
    }
    told, other = mark("Goal", "n"), mark("Goal", "c")
    assert marked_words(resource) == [f"{told}to", f"{told}speak", GAP, f"{other}louder"]
    every = [mark(type_, place) for type_ in RESOURCE_TYPES for place in "nc"]
    assert len(set(every)) == len(every)
    assert all(one[:-1].isdecimal() for one in every)


def test_no_more_is_kept_than_every_database_holds() -> None:
    note = " ".join(["same"] * 300 + [f"word{number}" for number in range(20_000)])
    found = marked_words({"resourceType": "Goal", "note": [{"text": note}]})
    assert len(found) == MOST_WORDS
    assert found.count(f"{mark('Goal', 'c')}same") == MOST_OF_ONE
    assert found[MOST_OF_ONE : MOST_OF_ONE + 2] == [GAP, GAP]
    long = " ".join(f"{number}{'é' * 60}ß言" for number in range(16_000))
    found = marked_words({"resourceType": "Goal", "note": [{"text": long}]})
    assert len(" ".join(found).encode()) < 1_000_000
