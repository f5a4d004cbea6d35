"""Do `:in`, `:not-in`, `:above` and `:below` stand for the codes that R4 says?

http://hl7.org/fhir/R4/search.html#modifiers. The codes are compared with the value sets and code
systems of the official package.
"""

from __future__ import annotations

from typing import Any

import pytest

from service.errors import Invalid, TooCostly
from service.standard.search_query import parse_search
from service.standard.searching.query import Chain, Condition, Has, TokenValue
from service.standard.terminology.for_search import MOST_QUESTIONS, Expander
from service.standard.terminology.shipped import Shelf
from tests.official import package

STATUS = "http://hl7.org/fhir/ValueSet/observation-status"
ROLES = "http://terminology.hl7.org/CodeSystem/v3-RoleCode"
OWN = "http://clinic.example/codes"
BASE = "https://clinic.example/fhir/"


def value_set(name: str, *codes: str, **more: Any) -> dict[str, Any]:
    listed = {"system": OWN, "concept": [{"code": code} for code in codes]}
    return {
        "resourceType": "ValueSet",
        "id": name,
        "url": f"{OWN}/{name}",
        "status": "active",
        "compose": {"include": [listed if codes else {"system": OWN}]} | more,
    }


SHELF = Shelf(
    [
        value_set("few", "a", "b"),
        value_set("others", "b", "c"),
        value_set("none", "a", exclude=[{"system": OWN}]),
        value_set("thousand", *(f"c{number}" for number in range(1000))),
        value_set("more", *(f"c{number}" for number in range(1001))),
        value_set("unknown"),
        {
            "resourceType": "CodeSystem",
            "url": OWN,
            "status": "active",
            "content": "fragment",
            "hierarchyMeaning": "part-of",
            "concept": [{"code": "a"}],
        },
    ]
)


def condition(name: str, value: str, shelf: Shelf | None = SHELF) -> Condition:
    query = parse_search(
        "Observation", [(name, value)], strict=True, base=BASE, expander=Expander(shelf)
    )
    (found,) = query.criteria
    assert isinstance(found, Condition)
    return found


def codes(found: Condition) -> set[str | None]:
    return {value.code for value in found.values if isinstance(value, TokenValue)}


def test_in_stands_for_the_codes_of_the_official_value_set() -> None:
    official = package()["CodeSystem-observation-status"]
    found = condition("status:in", STATUS, None)
    assert found.modifier == ""
    assert set(found.values) == {
        TokenValue("http://hl7.org/fhir/observation-status", concept["code"])
        for top in official["concept"]
        for concept in (top, *top.get("concept", ()))
    }
    assert condition("status:in", f"{STATUS}|4.0.1", None) == found


def test_below_and_above_follow_the_official_hierarchy() -> None:
    parents: dict[str, set[str]] = {}

    def walk(concepts: list[dict[str, Any]], parent: str | None) -> None:
        for concept in concepts:
            own = parents.setdefault(concept["code"], set())
            own |= {parent} if parent else set()
            for each in concept.get("property", []):
                if each["code"] == "child":
                    parents.setdefault(each["valueCode"], set()).add(concept["code"])
            walk(concept.get("concept", []), concept["code"])

    # Nested, or named by the property `child`: http://hl7.org/fhir/concept-properties#child
    def closure(code: str) -> set[str]:
        return {code}.union(*(closure(parent) for parent in parents[code]))

    walk(package()["CodeSystem-v3-RoleCode"]["concept"], None)
    above = {code: closure(code) for code in parents}
    below = {code for code, over in above.items() if "CHILD" in over}
    assert "SON" in below
    assert codes(condition("code:below", f"{ROLES}|CHILD", None)) == below
    assert codes(condition("code:above", f"{ROLES}|SON", None)) == above["SON"]
    both = condition("code:below", f"{ROLES}|SON,{ROLES}|DAU", None)
    assert {"SON", "DAU"} <= codes(both)


def test_not_in_is_not_any_of_them() -> None:
    found = condition("code:not-in", f"{OWN}/few,{OWN}/others")
    assert found.modifier == "not"
    assert codes(found) == {"a", "b", "c"}


def test_a_value_set_without_codes_leaves_a_condition_without_values() -> None:
    assert condition("code:in", f"{OWN}/none").values == ()
    assert condition("code:not-in", f"{OWN}/none") == Condition(
        condition("code", "a").parameters, (), "not"
    )


def test_a_value_set_is_named_by_address_or_url() -> None:
    expected = condition("code:in", f"{OWN}/few")
    assert condition("code:in", "ValueSet/few") == expected
    assert condition("code:in", f"{BASE}ValueSet/few") == expected
    with pytest.raises(Invalid):
        condition("code:in", "few")


@pytest.mark.parametrize(
    ("name", "value", "code"),
    [
        ("code:in", f"{OWN}/nowhere", "not-found"),
        ("code:in", "ValueSet/nowhere", "not-found"),
        ("code:not-in", f"{STATUS}|9", "not-found"),
        ("code:in", f"{OWN}/unknown", "not-supported"),
        ("code:below", "http://nowhere.example|x", "not-found"),
        ("code:below", f"{OWN}|a", "not-supported"),
        ("code:below", "a", "value"),
        ("code:above", "|a", "value"),
        ("code:above", f"{OWN}|", "value"),
    ],
)
def test_what_cannot_be_worked_out_is_a_wrong_value(name: str, value: str, code: str) -> None:
    with pytest.raises(Invalid) as refusal:
        condition(name, value)
    (issue,) = refusal.value.issues
    assert (refusal.value.status, issue.code, issue.location) == (400, code, f"http.{name}")


def test_a_thousand_codes_and_no_more() -> None:
    assert len(condition("code:in", f"{OWN}/thousand").values) == 1000
    with pytest.raises(TooCostly) as refusal:
        condition("code:in", f"{OWN}/more")
    assert refusal.value.issues[0].location == "http.code:in"
    with pytest.raises(TooCostly):
        condition("code:in", f"{OWN}/thousand,{OWN}/few")


def test_all_parameters_together_stand_for_a_bounded_number_of_codes() -> None:
    pair = ("code:in", f"{OWN}/thousand")
    expander = Expander(SHELF)
    parse_search("Observation", [pair] * 5, expander=expander)
    with pytest.raises(TooCostly):
        parse_search("Observation", [pair] * 6, expander=expander)
    with pytest.raises(TooCostly):
        parse_search("Provenance", [("target.code:in", f"{OWN}/thousand")], expander=expander)


def test_few_value_sets_are_worked_out_for_one_search() -> None:
    roles = ",".join(f"{ROLES}|{code}" for code in ["SON"] * (MOST_QUESTIONS + 1))
    assert codes(condition("code:above", roles, None)), "the same again costs nothing"
    different = [value_set(f"v{number}", "a") for number in range(MOST_QUESTIONS + 1)]
    shelf, names = Shelf(different), [f"{OWN}/v{number}" for number in range(MOST_QUESTIONS + 1)]
    condition("code:in", ",".join(names[1:]), shelf)
    with pytest.raises(TooCostly):
        condition("code:in", ",".join(names), shelf)


def test_they_work_at_the_end_of_a_chain_and_of_has() -> None:
    query = parse_search(
        "Observation",
        [("part-of:Procedure.code:in", f"{OWN}/few")],
        strict=True,
        expander=Expander(SHELF),
    )
    (chain,) = query.criteria
    assert isinstance(chain, Chain)
    ((_, inner),) = chain.branches
    assert isinstance(inner, Condition)
    assert codes(inner) == {"a", "b"}
    query = parse_search(
        "Patient",
        [("_has:Observation:patient:code:not-in", f"{OWN}/few")],
        strict=True,
        expander=Expander(SHELF),
    )
    (has,) = query.criteria
    assert isinstance(has, Has)
    assert isinstance(has.criterion, Condition)
    assert has.criterion.modifier == "not"
