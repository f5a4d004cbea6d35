"""$lookup and $subsumes. Outside sources: OperationDefinitions and CodeSystems of R4."""

from __future__ import annotations

from typing import Any

import pytest

from service.errors import NotFound
from service.standard.terminology.code_systems import read_code_system
from service.standard.terminology.lookup import lookup, subsumption
from service.standard.terminology.refusals import NotUnderstood
from service.standard.terminology.shipped import shipped
from service.standard.validation import validate
from tests.official import package
from tests.standard.terminology.made import Resource, tree


def told(answer: Resource) -> dict[str, Any]:
    """Values of the answer by name; of properties by code, in lists."""
    found: dict[str, Any] = {}
    for entry in answer["parameter"]:
        if entry["name"] == "property":
            part = {each["name"]: each for each in entry["part"]}
            value = next(v for k, v in part["value"].items() if k.startswith("value"))
            found.setdefault(part["code"]["valueCode"], []).append(value)
        elif entry["name"] == "designation":
            found.setdefault("designation", []).append(entry["part"])
        else:
            found[entry["name"]] = next(v for k, v in entry.items() if k.startswith("value"))
    return found


def test_everything_is_told_of_every_shipped_official_code() -> None:
    """Source: name, version, displays and definitions in the CodeSystems of the package."""
    compared = 0
    for raw in package().values():
        held = shipped().code_system(raw["url"]) if raw["resourceType"] == "CodeSystem" else None
        if held is None or held.content == "fragment":
            continue
        for each in raw["concept"]:
            answer = told(lookup(held, each["code"]))
            assert answer["name"] == raw["name"]
            assert answer.get("version") == raw.get("version")
            assert answer["display"] == each.get("display", each["code"])
            if "/v3-" not in raw["url"] and each.get("definition") not in (
                None,
                each.get("display"),
            ):
                assert answer["definition"] == [each["definition"]]
            assert answer.get("child", []) == [c["code"] for c in each.get("concept", [])] or (
                "property" in each
            )
            compared += 1
    assert compared > 1500


def test_properties_parents_and_children() -> None:
    answer = told(lookup(read_code_system(tree()), "hold"))
    assert answer["parent"] == ["oral"]
    assert answer["stage"] == ["first"]
    assert "child" not in answer
    assert told(lookup(read_code_system(tree()), "oral"))["child"] == ["hold", "push"]


def test_only_the_properties_that_are_wanted() -> None:
    answer = told(lookup(read_code_system(tree()), "hold", wanted=["stage"]))
    assert answer == {"name": "Swallow", "version": "1", "display": "The hold", "stage": ["first"]}


def test_designations_by_language() -> None:
    """Source: "lang.X where X is a designation language code"."""
    raw = tree()
    raw["concept"][1]["designation"] = [
        {"language": "de", "value": "Gähnen"},
        {"language": "fr", "value": "bâiller"},
    ]
    system = read_code_system(raw)
    assert len(told(lookup(system, "yawn"))["designation"]) == 2
    assert len(told(lookup(system, "yawn", wanted=["lang.de"]))["designation"]) == 1
    assert "designation" not in told(lookup(system, "yawn", wanted=["stage"]))
    assert told(lookup(system, "yawn", language="fr"))["display"] == "bâiller"


def test_an_unknown_code_is_not_found() -> None:
    with pytest.raises(NotFound):
        lookup(read_code_system(tree()), "cough")


def test_answers_are_valid_parameters() -> None:
    for code in ("hold", "oral", "yawn"):
        answer = lookup(read_code_system(tree()), code)
        assert [issue for issue in validate(answer) if issue.severity == "error"] == []


@pytest.mark.parametrize(
    ("a", "b", "outcome"),
    [
        ("oral", "hold", "subsumes"),
        ("hold", "swallow", "subsumed-by"),
        ("hold", "hold", "equivalent"),
        ("hold", "push", "not-subsumed"),
    ],
)
def test_subsumption(a: str, b: str, outcome: str) -> None:
    """Source: CodeSystem concept-subsumption-outcome."""
    assert subsumption(read_code_system(tree()), a, b) == outcome
    outcomes = {c["code"] for c in package()["CodeSystem-concept-subsumption-outcome"]["concept"]}
    assert outcome in outcomes


def test_parts_are_not_subsumed() -> None:
    with pytest.raises(NotUnderstood):
        subsumption(read_code_system(tree(hierarchyMeaning="part-of")), "oral", "hold")
