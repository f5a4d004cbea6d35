"""To what of the client is a plan fitted?

Source of the lateralities: SNOMED CT as used in HL7's value set bodysite-laterality (core package)
and mCODE.
"""

from __future__ import annotations

from typing import Any

import pytest

from service.therapy.fitting import Fit, depends_on_side, fitted, making, parameters
from service.therapy.references import EXTENSIONS
from tests.official import package

Resource = dict[str, Any]

OWN = "https://hyoid.example/fhir/CodeSystem/"
REGIONS = f"{OWN}oral-region"
SNOMED = "http://snomed.info/sct"
LIPS = [(REGIONS, "lip-ring")]


def finding(
    code: str, answer: tuple[str, str], when: str, site: str | None = None, **more: Any
) -> Resource:
    found: Resource = {
        "resourceType": "Observation",
        "id": f"o-{when}",
        "status": "final",
        "code": {"coding": [{"system": f"{OWN}oral-finding", "code": code}]},
        "effectiveDateTime": when,
        "valueCodeableConcept": {"coding": [{"system": answer[0], "code": answer[1]}]},
    }
    if site:
        found["bodySite"] = {"coding": [{"system": REGIONS, "code": site}]}
    return found | more


LEFT, RIGHT = (SNOMED, "7771000"), (SNOMED, "24028007")


def side(observations: list[Resource], regions: Any = LIPS, **given: str) -> Fit:
    return next(
        fit for fit in fitted(given, observations, regions) if fit.parameter.name == "weakerSide"
    )


def test_nothing_is_known_of_a_client_without_findings() -> None:
    assert [fit.value for fit in fitted({}, [], LIPS)] == [None, None]
    assert "not known here" in side([]).text
    assert side([]).extension is None


def test_newest_finding_counts_and_names_where_it_comes_from() -> None:
    found = side(
        [
            finding("weaker-side", RIGHT, "2026-11-02"),
            finding("weaker-side", LEFT, "2026-11-20"),
            finding("weaker-side", RIGHT, "2026-10-20"),
        ]
    )
    assert (found.value, found.source) == ("left", "Observation/o-2026-11-20")


def test_what_is_given_counts_before_what_was_observed() -> None:
    found = side([finding("weaker-side", LEFT, "2026-11-20")], weakerSide="right")
    assert (found.value, found.source) == ("right", "as given")


@pytest.mark.parametrize(
    ("site", "regions", "known"),
    [
        (None, ["lip-ring"], True),
        ("lips", ["lip-ring"], True),
        ("lip-corner-left", ["lips"], True),
        ("mouth", ["tongue-tip"], True),
        ("tongue", ["lip-ring"], False),
        ("tongue-edges", ["soft-palate"], False),
        ("tongue-edges", ["soft-palate", "tongue-blade"], True),
    ],
)
def test_finding_counts_for_the_part_it_was_made_at(
    site: str | None, regions: list[str], known: bool
) -> None:
    observation = finding("weaker-side", LEFT, "2026-11-20", site)
    found = side([observation], [(REGIONS, each) for each in regions])
    assert (found.value == "left") is known


@pytest.mark.parametrize(
    "observation",
    [
        finding("weaker-side", LEFT, "2026-11-20", status="entered-in-error"),
        finding("weaker-side", (SNOMED, "40739000"), "2026-11-20"),
        finding("tone", LEFT, "2026-11-20"),
        finding("weaker-side", LEFT, "2026"),
        finding("weaker-side", LEFT, "2026-11-20", bodySite={"text": "face"}),
    ],
)
def test_what_does_not_tell_the_side_is_left_aside(observation: Resource) -> None:
    assert side([observation]).value is None


def test_tone_is_read_from_our_code() -> None:
    seen = [finding("tone", (f"{OWN}tone", "low"), "2026-11-20")]
    assert [(fit.parameter.name, fit.value) for fit in fitted({}, seen, LIPS)] == [
        ("weakerSide", None),
        ("tone", "low"),
    ]


def test_lateralities_are_those_of_the_official_value_set() -> None:
    """Source: ValueSet bodysite-laterality of hl7.fhir.r4.core 4.0.1; others from mCODE."""
    listed = {
        concept["code"]: concept["display"]
        for include in package()["ValueSet-bodysite-laterality"]["compose"]["include"]
        for concept in include["concept"]
    }
    sides = next(each for each in parameters() if each.name == "weakerSide")
    assert set(listed) <= {c["code"] for codings in sides.values.values() for c in codings}
    assert listed["419161000"] == "Unilateral left"
    assert sides.values["left"][1]["display"] == "Unilateral left"


def test_weaker_side_is_written_as_a_laterality() -> None:
    extension = side([], weakerSide="left").extension
    assert extension is not None
    assert extension["url"] == f"{EXTENSIONS}weaker-side"
    assert extension["valueCodeableConcept"]["coding"][0]["code"] == "7771000"


def test_only_orders_with_an_order_of_sides_depend_on_the_side() -> None:
    def order(*parts: str) -> Resource:
        return {
            "extension": [{"url": f"{EXTENSIONS}dose", "extension": [{"url": p} for p in parts]}]
        }

    assert depends_on_side(order("sets", "sideOrder"))
    assert not depends_on_side(order("sets"))
    assert not depends_on_side({})


def test_plans_are_made_with_the_category_of_r4() -> None:
    """Source: ValueSet care-plan-category (is-a 734163000)."""
    (category,) = making().care_plan["category"]
    filtered = package()["ValueSet-care-plan-category"]["compose"]["include"][0]["filter"][0]
    assert category["coding"][0]["code"] == filtered["value"]
