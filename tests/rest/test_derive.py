"""Observation/$derive on both engines: the measures that follow from the parts of a trial."""

from __future__ import annotations

from typing import Any

import httpx
import pytest

from tests.factories.course import concept
from tests.factories.parts import drink, part, parted

Json = dict[str, Any]


@pytest.fixture
def parts(fhir: httpx.Client, name: str) -> Json:
    """A drink of 150 mL in 18 s with 8 swallows, stored."""
    fhir.put(f"Patient/{name}", json={"resourceType": "Patient", "id": name}).raise_for_status()
    found = drink(150, 0, 18, 8, key=name, subject={"reference": f"Patient/{name}"})
    fhir.put(f"Observation/{name}", json=found).raise_for_status()
    return found


def stored(fhir: httpx.Client, name: str) -> dict[str, Json]:
    """The derived Observations of a client by measure."""
    found = fhir.get("Observation", params={"patient": name, "derived-from": f"Observation/{name}"})
    resources = [entry["resource"] for entry in found.raise_for_status().json().get("entry", [])]
    return {each["code"]["coding"][0]["code"]: each for each in resources}


def test_of_stored_parts(fhir: httpx.Client, name: str, parts: Json) -> None:
    """Hughes and Wiles 1996: 150 mL by 18 s and by 8 swallows; nothing is stored."""
    for answer in (
        fhir.get(f"Observation/{name}/$derive"),
        fhir.post(f"Observation/{name}/$derive"),
    ):
        bundle = answer.raise_for_status().json()
        assert (bundle["resourceType"], bundle["type"]) == ("Bundle", "transaction")
        values = [entry["resource"]["valueQuantity"]["value"] for entry in bundle["entry"]]
        assert values == pytest.approx([150 / 18, 150 / 8, 18 / 8])
        capacity = bundle["entry"][0]["resource"]
        assert capacity["interpretation"][0]["coding"][0]["code"] == "L"
    assert stored(fhir, name) == {}


def test_storing_twice_stores_once_and_follows_a_correction(
    fhir: httpx.Client, name: str, parts: Json
) -> None:
    for seconds in (18.0, 18.0, 10.0):
        parts["component"][2]["valueQuantity"]["value"] = seconds
        fhir.put(f"Observation/{name}", json=parts).raise_for_status()
        done = fhir.post(f"Observation/{name}/$derive", params={"store": "true"})
        assert done.raise_for_status().json()["type"] == "transaction-response"
        found = stored(fhir, name)
        assert len(found) == 3
        capacity = found["water-swallow-capacity"]
        assert capacity["valueQuantity"]["value"] == pytest.approx(150 / seconds)


def test_parts_that_are_handed_over_are_stored_with_what_follows(
    fhir: httpx.Client, name: str, parts: Json
) -> None:
    block = parted(
        "trial-block",
        part("trials", 20, "{count}"),
        part("wanted-trials", 16, "{count}"),
        subject={"reference": f"Patient/{name}"},
    )
    del block["id"]
    done = fhir.post("Observation/$derive", params={"store": "true"}, json=block)
    first, second = done.raise_for_status().json()["entry"]
    key = first["response"]["location"].split("Observation/")[1].split("/")[0]
    other = second["response"]["location"].split("Observation/")[1].split("/")[0]
    accuracy = fhir.get(f"Observation/{other}").raise_for_status().json()
    assert accuracy["valueQuantity"]["value"] == 80
    assert accuracy["derivedFrom"] == [{"reference": f"Observation/{key}"}]


def test_progress_follows_a_correction_that_was_not_derived_again(
    fhir: httpx.Client, name: str, parts: Json
) -> None:
    """150 mL in 18 s are corrected to 10 s: 15 mL/s, and not the stored 8.33."""
    plan = {
        "resourceType": "CarePlan",
        "id": name,
        "status": "active",
        "intent": "plan",
        "subject": parts["subject"],
        "period": {"start": parts["effectiveDateTime"][:10]},
    }
    fhir.put(f"CarePlan/{name}", json=plan).raise_for_status()
    fhir.post(f"Observation/{name}/$derive", params={"store": "true"}).raise_for_status()
    told = []
    for seconds in (18.0, 10.0):
        parts["component"][2]["valueQuantity"]["value"] = seconds
        fhir.put(f"Observation/{name}", json=parts).raise_for_status()
        asked = {"measure": "water-swallow-capacity"}
        answer = fhir.get(f"CarePlan/{name}/$progress", params=asked).raise_for_status().json()
        (measure,) = [each["part"] for each in answer["parameter"] if each["name"] == "measure"]
        told.append({part["name"]: part for part in measure})
    first, second = told
    assert first["latest"]["valueQuantity"]["value"] == pytest.approx(150 / 18)
    assert second["latest"]["valueQuantity"]["value"] == pytest.approx(15)
    assert second["based-on"]["valueReference"] == {"reference": f"Observation/{name}"}
    assert "left out: derived from parts that were changed" in second["rule"]["valueString"]
    assert "changed" not in first["rule"]["valueString"]


@pytest.mark.parametrize(
    ("change", "status", "place"),
    [
        ({"component": []}, 422, "Observation.component"),
        ({"code": concept("measure", "tongue-pressure")}, 422, "Observation.code"),
        ({"status": "entered-in-error"}, 422, "Observation.status"),
        (
            {"component": [part("volume-given", 150, "s")]},
            422,
            "Observation.component[0].valueQuantity",
        ),
    ],
)
def test_what_gives_nothing_is_refused_with_the_element(
    fhir: httpx.Client, name: str, parts: Json, change: Json, status: int, place: str
) -> None:
    wrong = parts | change
    if not wrong["component"]:
        del wrong["component"]
    answer = fhir.post("Observation/$derive", params={"store": "true"}, json=wrong)
    assert answer.status_code == status, answer.text
    (issue,) = answer.json()["issue"]
    assert issue["expression"] == [place]
    assert stored(fhir, name) == {}


def test_refusals(fhir: httpx.Client, name: str, parts: Json) -> None:
    assert fhir.get(f"Observation/{name}/$derive", params={"store": "true"}).status_code == 405
    assert fhir.get(f"Observation/{name}/$derive", params={"x": "1"}).status_code in (400, 422)
    assert fhir.get(f"Observation/{name}-none/$derive").status_code == 404
    assert fhir.post("Observation/$derive").status_code in (400, 422)
    both = fhir.post(f"Observation/{name}/$derive", json=parts)
    assert both.status_code in (400, 422)
