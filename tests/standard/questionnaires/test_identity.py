"""Extracting twice gives the same names; what is amended replaces (R4, conditional create and
update)."""

from __future__ import annotations

from typing import Any
from urllib.parse import parse_qsl

from service.standard.conditions import parse_criteria
from service.standard.questionnaires import extract
from service.standard.questionnaires.identity import criterion, identity_of
from service.standard.searching.escapes import split, unescape
from tests.standard.questionnaires.forms import answered, coded, form_of, given

FORM = form_of(coded("n", repeats=True))


def requests(response: dict[str, Any]) -> list[dict[str, Any]]:
    return [entry["request"] for entry in extract(response, FORM).entries]


def without_id(**more: Any) -> dict[str, Any]:
    response = answered(given("n", 1), **more)
    del response["id"]
    return response


def test_the_same_response_gives_the_same_conditions() -> None:
    first = requests(answered(given("n", 1, 2)))
    assert first == requests(answered(given("n", 3, 4)))
    assert len({request["ifNoneExist"] for request in first}) == 2
    assert first != requests(answered(given("n", 1, 2), id="r2"))


def test_an_amended_response_replaces() -> None:
    (created,) = requests(answered(given("n", 1)))
    (replaced,) = requests(answered(given("n", 1), status="amended"))
    assert created["method"] == "POST"
    assert replaced == {"method": "PUT", "url": f"Observation?{created['ifNoneExist']}"}
    (entry,) = extract(answered(given("n", 1), status="amended"), FORM).entries
    assert entry["resource"]["status"] == "amended"


def test_a_response_without_an_id_comes_along() -> None:
    identifier = {"system": "https://clinic.example/forms", "value": "7"}
    first, second = extract(without_id(identifier=identifier), FORM).entries
    assert first["resource"] == without_id(identifier=identifier)
    assert second["resource"]["derivedFrom"] == [{"reference": first["fullUrl"]}]
    assert first["request"]["ifNoneExist"] == "identifier=https://clinic.example/forms|7"


def test_a_response_without_any_name_is_known_by_its_content() -> None:
    first = extract(without_id(), FORM).entries
    reordered = dict(reversed(without_id(meta={"tag": []}).items()))
    assert [e["request"] for e in first] == [e["request"] for e in extract(reordered, FORM).entries]
    other = extract(without_id(authored="2026-03-05"), FORM).entries
    assert first[0]["request"] != other[0]["request"]
    assert "identifier" in first[0]["resource"]


def test_an_identifier_with_special_characters_is_one_criterion() -> None:
    """R4, search, section Escaping Search Parameters."""
    identifier = {"system": "https://c.example/a?b=c&d,e", "value": "x,y|z$\\ #+%"}
    search = criterion(identifier)
    ((name, value),) = parse_criteria(search, "here", "Observation")
    assert [(name, value)] == parse_qsl(search)
    assert name == "identifier"
    assert [unescape(part) for part in split(value, "|")] == list(identifier.values())
    assert len(split(value, ",")) == 1


def test_two_systems_are_two_identities() -> None:
    keys = {
        identity_of(without_id(identifier={"system": system, "value": value})).key
        for system, value in (("a", "b"), ("a", "c"), ("", "ab"), ("ab", ""))
    }
    assert len(keys) == 4
