"""Token searches by value set and by subsumption, with terminology that a client stored itself.

R4: http://hl7.org/fhir/R4/search.html#modifiers (`:in`, `:not-in`, `:above`, `:below`). What is
found is compared with a plain reading of the specification in `tests/store/searching`.
"""

from __future__ import annotations

from typing import Any

import httpx
import pytest

from tests.factories.clinical import observation, patient

Resource = dict[str, Any]

CODES = ("mouth", "lips", "throat")


class Words:
    """A client with one Observation of each code, and a system and value sets of their own."""

    def __init__(self, fhir: httpx.Client, name: str) -> None:
        self.fhir, self.name = fhir, name
        self.system = f"http://terms.example/{name}"
        self.put(
            {
                "resourceType": "CodeSystem",
                "id": name,
                "url": self.system,
                "status": "active",
                "content": "complete",
                "hierarchyMeaning": "is-a",
                "concept": [
                    {"code": "mouth", "concept": [{"code": "lips"}]},
                    {"code": "throat"},
                ],
            }
        )
        is_a = {"property": "concept", "op": "is-a", "value": "mouth"}
        self.value_set("oral", include=[{"system": self.system, "filter": [is_a]}])
        whole = [{"system": self.system}]
        self.value_set("none", include=whole, exclude=whole)
        self.put(patient(name))
        for code in CODES:
            seen = observation(f"{name}-{code}", patient=f"Patient/{name}")
            self.put(seen | {"code": {"coding": [{"system": self.system, "code": code}]}})

    def put(self, resource: Resource) -> None:
        address = f"{resource['resourceType']}/{resource['id']}"
        self.fhir.put(address, json=resource).raise_for_status()

    def value_set(self, kind: str, **compose: Any) -> None:
        self.put(
            {
                "resourceType": "ValueSet",
                "id": f"{self.name}-{kind}",
                "url": f"{self.system}/{kind}",
                "status": "active",
                "compose": compose,
            }
        )

    def found(self, query: str) -> set[str]:
        """Codes of the client's Observations that are found."""
        answer = self.fhir.get(f"Observation?patient={self.name}&{query}").raise_for_status()
        ids = [entry["resource"]["id"] for entry in answer.json().get("entry", ())]
        return {id_.removeprefix(f"{self.name}-") for id_ in ids}


@pytest.fixture
def words(fhir: httpx.Client, name: str) -> Words:
    return Words(fhir, name)


def test_value_sets_that_were_stored(words: Words) -> None:
    oral, none = f"{words.system}/oral", f"{words.system}/none"
    assert words.found(f"code:in={oral}") == {"mouth", "lips"}
    assert words.found(f"code:in=ValueSet/{words.name}-oral") == {"mouth", "lips"}
    assert words.found(f"code:in={words.fhir.base_url}ValueSet/{words.name}-oral") == {
        "mouth",
        "lips",
    }
    assert words.found(f"code:not-in={oral}") == {"throat"}
    assert words.found(f"code:in={none}") == set()
    assert words.found(f"code:not-in={none}") == set(CODES)
    assert words.found(f"code:in={none},{oral}&_sort=-date") == {"mouth", "lips"}


def test_what_a_code_subsumes_and_what_subsumes_it(words: Words) -> None:
    assert words.found(f"code:below={words.system}|mouth") == {"mouth", "lips"}
    assert words.found(f"code:above={words.system}|lips") == {"mouth", "lips"}
    assert words.found(f"code:above={words.system}|mouth") == {"mouth"}


def test_a_newer_version_is_used_at_once(words: Words) -> None:
    words.value_set("oral", include=[{"system": words.system, "concept": [{"code": "throat"}]}])
    assert words.found(f"code:in={words.system}/oral") == {"throat"}


def test_across_references(words: Words) -> None:
    def clients(query: str) -> list[str]:
        answer = words.fhir.get(f"Patient?_id={words.name}&{query}").raise_for_status()
        return [entry["resource"]["id"] for entry in answer.json().get("entry", ())]

    has = "_has:Observation:patient:code"
    assert clients(f"{has}:in={words.system}/oral") == [words.name]
    assert clients(f"{has}:in={words.system}/none") == []
    assert clients(f"{has}:below={words.system}|throat") == [words.name]
    words.put(patient(words.name) | {"gender": "female"})
    chained = "patient.gender:in=http://hl7.org/fhir/ValueSet/administrative-gender"
    assert words.found(chained) == set(CODES)


def test_lastn_and_bundles_know_them_too(words: Words) -> None:
    query = f"patient={words.name}&code:in={words.system}/oral"
    last = words.fhir.get(f"Observation/$lastn?{query}").raise_for_status().json()
    assert last["total"] == 2
    entry = {"request": {"method": "GET", "url": f"Observation?{query}"}}
    for kind in ("batch", "transaction"):
        sent = {"resourceType": "Bundle", "type": kind, "entry": [entry]}
        answer = words.fhir.post("", json=sent).raise_for_status().json()
        assert answer["entry"][0]["resource"]["total"] == 2


def test_conditional_writes_know_them_too(words: Words) -> None:
    seen = observation(None, patient=f"Patient/{words.name}")
    query = f"patient={words.name}&code:below={words.system}|throat"
    answer = words.fhir.post("Observation", json=seen, headers={"If-None-Exist": query})
    assert answer.status_code == 200
    unknown = f"patient={words.name}&code:in=http://terms.example/unknown"
    answer = words.fhir.post("Observation", json=seen, headers={"If-None-Exist": unknown})
    assert answer.status_code == 400


@pytest.mark.parametrize(
    ("query", "code"),
    [
        ("code:in=http://terms.example/unknown", "not-found"),
        ("code:not-in=ValueSet/unknown", "not-found"),
        ("code:below=http://terms.example/unknown|x", "not-found"),
        ("code:below=x", "value"),
        ("code:in=http://hl7.org/fhir/ValueSet/mimetypes", "not-found"),
    ],
)
def test_what_is_not_held_is_a_wrong_value(fhir: httpx.Client, query: str, code: str) -> None:
    answer = fhir.get(f"Observation?{query}")
    (issue,) = answer.json()["issue"]
    assert (answer.status_code, issue["code"]) == (400, code)
    assert issue["location"] == [f"http.{query.partition('=')[0]}"]


def test_too_many_codes_are_refused(words: Words) -> None:
    listed = [{"code": f"c{number}"} for number in range(1001)]
    words.value_set("many", include=[{"system": "urn:many", "concept": listed}])
    answer = words.fhir.get(f"Observation?code:in={words.system}/many")
    assert answer.status_code == 400
    assert answer.json()["issue"][0]["code"] == "too-costly"
    words.value_set("many", include=[{"system": "urn:many", "concept": listed[1:]}])
    assert words.found(f"code:in={words.system}/many") == set()
    assert words.found(f"code:not-in={words.system}/many") == set(CODES)
