"""Which ratings are of the same thing?"""

from __future__ import annotations

from typing import Any

from service.therapy.course.ratings import is_rating, pairs_of, read_ratings
from tests.factories.course import concept
from tests.factories.parts import rated

Resource = dict[str, Any]
DAY = "2026-03-04"


def paired(*observations: Resource) -> list[tuple[str, str]]:
    ratings = read_ratings([each for each in observations if is_rating(each)])
    return [(pair.first.reference[12:], pair.second.reference[12:]) for pair in pairs_of(ratings)]


def test_the_same_moment_pairs_two_performers_in_the_order_of_their_names() -> None:
    found = paired(
        rated("a", "zoe", 3, f"{DAY}T09:00:00Z"),
        rated("b", "ada", 2, f"{DAY}T10:00:00+01:00"),
        rated("c", "ada", 5, f"{DAY}T11:00:00Z"),
    )
    assert found == [("b", "a")]


def test_as_many_values_in_one_session_are_paired_in_order() -> None:
    found = paired(
        *(rated(f"a{n}", "ada", n, f"{DAY}T09:0{n}:00Z", session="s") for n in (1, 2, 3)),
        *(rated(f"z{n}", "zoe", n, f"{DAY}T09:1{n}:00Z", session="s") for n in (3, 2, 1)),
    )
    assert found == [("a1", "z1"), ("a2", "z2"), ("a3", "z3")]


def test_what_cannot_be_told_apart_is_not_paired() -> None:
    uneven = [
        rated("a1", "ada", 1, f"{DAY}T09:00:00Z", session="s"),
        rated("a2", "ada", 1, f"{DAY}T09:01:00Z", session="s"),
        rated("z1", "zoe", 1, f"{DAY}T09:02:00Z", session="s"),
    ]
    assert paired(*uneven) == []
    three = [rated(name, name, 1, f"{DAY}T09:00:00Z") for name in ("ada", "ben", "zoe")]
    assert paired(*three) == []
    other_session = rated("z", "zoe", 1, f"{DAY}T15:00:00Z", session="other")
    assert paired(rated("a", "ada", 1, f"{DAY}T09:00:00Z", session="s"), other_session) == []


def test_another_place_measure_or_technique_is_another_thing() -> None:
    at = f"{DAY}T09:00:00Z"
    answer = {"valueCodeableConcept": concept("response", "wanted"), "valueQuantity": None}
    one, other = (
        {
            name: value
            for name, value in rated(who, who, 1, at, code="technique-response", **answer).items()
            if value is not None
        }
        | {"partOf": [{"reference": f"Procedure/{procedure}"}]}
        for who, procedure in (("ada", "p1"), ("zoe", "p2"))
    )
    assert paired(one, other) == []
    assert paired(one, other | {"partOf": one["partOf"]}) == [("ada", "zoe")]
    level = rated("b", "zoe", 1, at, code="oral-intake-level")
    assert paired(rated("a", "ada", 1, at), level) == []
    here = {"bodySite": concept("oral-region", "tongue")}
    assert paired(rated("a", "ada", 1, at), rated("b", "zoe", 1, at, **here)) == []


def test_what_is_measured_or_withdrawn_is_no_rating() -> None:
    at = f"{DAY}T09:00:00Z"
    assert not is_rating(rated("a", "ada", 25, at, code="tongue-pressure"))
    assert not is_rating(rated("a", "ada", 1, at, status="entered-in-error"))
    nobody = rated("a", "ada", 1, at)
    del nobody["performer"]
    assert not is_rating(nobody)
