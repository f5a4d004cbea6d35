"""What comes along with the matches? R4 search page, #include, #revinclude."""

from __future__ import annotations

from typing import Any

import pytest

from service.caller import ANONYMOUS, Caller
from service.standard.search_query import parse_search
from service.store.searching import Found, search
from service.store.searching.limits import Limits
from service.store.store import Store

BASE = "http://clinic.example/fhir"
URL = "http://forms.example/scale"


def scale(id_: str, version: str) -> dict[str, Any]:
    return {"resourceType": "Questionnaire", "id": id_, "url": URL, "version": version}


def answers(id_: str, form: str, patient: str) -> dict[str, Any]:
    subject = {"reference": f"Patient/{patient}"}
    return {
        "resourceType": "QuestionnaireResponse",
        "id": id_,
        "questionnaire": form,
        "subject": subject,
    }


RECORD: list[dict[str, Any]] = [
    {"resourceType": "Patient", "id": "anna", "link": [{"other": {"reference": "Patient/bo"}}]},
    {"resourceType": "Patient", "id": "bo"},
    scale("one", "1"),
    scale("two", "2"),
    answers("any", URL, "anna"),
    answers("first", f"{URL}|1", "anna"),
    answers("third", f"{URL}|3", "bo"),
    *(
        {
            "resourceType": "Procedure",
            "id": f"step{n}",
            "subject": {"reference": "Patient/anna"},
            "partOf": [{"reference": f"Procedure/step{n - 1}"}] if n else [],
        }
        for n in range(6)
    ),
]


@pytest.fixture
def filled(store: Store) -> Store:
    with store.write(ANONYMOUS) as unit:
        for resource in RECORD:
            unit.append(resource, resource["id"], BASE, method="PUT", current=None)
    return store


def found(
    store: Store, type_: str, *pairs: tuple[str, str], most: int = 100, who: Caller = ANONYMOUS
) -> Found:
    query = parse_search(type_, pairs, strict=True, base=BASE + "/")
    with store.reader() as connection:
        return search(connection, who, query, count=50, secret=b"s", limits=Limits(included=most))


def names(answer: Found) -> list[str]:
    return [stored.id for stored in answer.included]


def test_a_canonical_reference_brings_the_version_it_names(filled: Store) -> None:
    include = ("_include", "QuestionnaireResponse:questionnaire")
    for id_, expected in (("any", ["one", "two"]), ("first", ["one"]), ("third", [])):
        assert names(found(filled, "QuestionnaireResponse", ("_id", id_), include)) == expected


def test_a_canonical_url_is_found_backwards(filled: Store) -> None:
    include = ("_revinclude", "QuestionnaireResponse:questionnaire")
    assert names(found(filled, "Questionnaire", ("_id", "one"), include)) == ["any", "first"]
    assert names(found(filled, "Questionnaire", ("_id", "two"), include)) == ["any"]


def test_iteration_goes_to_the_end_and_stops_in_a_circle(filled: Store) -> None:
    with filled.write(ANONYMOUS) as unit:
        current = unit.current("Procedure", "step0")
        circle = RECORD[7] | {"partOf": [{"reference": "Procedure/step5"}]}
        unit.append(circle, "step0", BASE, method="PUT", current=current)
    asked = (("_id", "step3"), ("_include:iterate", "Procedure:part-of"))
    assert names(found(filled, "Procedure", *asked)) == [
        "step2",
        "step1",
        "step0",
        "step5",
        "step4",
    ]
    once = (("_id", "step3"), ("_include", "Procedure:part-of"))
    assert names(found(filled, "Procedure", *once)) == ["step2"]


def test_a_match_is_not_included_again(filled: Store) -> None:
    answer = found(filled, "Procedure", ("_id", "step3,step2"), ("_include", "Procedure:part-of"))
    assert names(answer) == ["step1"]


def test_the_type_of_the_target_may_be_named(filled: Store) -> None:
    asked = ("_id", "step1")
    both = found(filled, "Procedure", asked, ("_include", "*"))
    assert sorted(names(both)) == ["anna", "step0"]
    narrowed = found(filled, "Procedure", asked, ("_include", "Procedure:*:Patient"))
    assert names(narrowed) == ["anna"]


def test_too_many_are_cut_and_told(filled: Store) -> None:
    asked = (("_id", "anna"), ("_revinclude", "Procedure:patient"))
    answer = found(filled, "Patient", *asked, most=4)
    assert names(answer) == ["step0", "step1", "step2", "step3"]
    assert [(issue.severity, issue.code) for issue in answer.issues] == [("warning", "too-costly")]
    exactly = found(filled, "Patient", *asked, most=6)
    assert len(names(exactly)) == 6
    assert exactly.issues == ()


def test_what_the_caller_may_not_see_does_not_come_along(filled: Store) -> None:
    anna = Caller("anna", ANONYMOUS.scopes, clients=frozenset({"anna"}))
    asked = ("_include", "Patient:link")
    assert names(found(filled, "Patient", ("_id", "anna"), asked)) == ["bo"]
    assert names(found(filled, "Patient", ("_id", "anna"), asked, who=anna)) == []
    back = ("_revinclude", "QuestionnaireResponse:questionnaire")
    assert names(found(filled, "Questionnaire", back, who=anna)) == ["any", "first"]


def test_deleted_resources_are_not_included(filled: Store) -> None:
    with filled.write(ANONYMOUS) as unit:
        current = unit.current("Procedure", "step2")
        assert current is not None
        unit.delete(current)
    answer = found(filled, "Procedure", ("_id", "step3"), ("_include", "Procedure:part-of"))
    assert names(answer) == []
