"""Measures in parts, and a second rater, as a clinic system sends them."""

from __future__ import annotations

from typing import Any

import pytest

from tests.intake.clinic import Clinic, only, places

Json = dict[str, Any]

DRINK = {"given": 150, "left": 0, "seconds": 9, "swallows": 8}


def by_code(clinic: Clinic) -> dict[str, Json]:
    return {each["code"]["coding"][0]["code"]: each for each in clinic.of_client("Observation")}


def test_parts_are_stored_with_the_measures_that_follow(clinic: Clinic) -> None:
    """Hughes and Wiles 1996: 150 mL, 9 s, 8 swallows give 16.6667, 18.75 and 1.125."""
    row = {"measure": "timed-water-swallow", "parts": DRINK, "at": "2025-11-02T09:30"}
    told = only(clinic.send(clinic.note(techniques=[], measures=[row])))
    assert (told["status"], told["issues"]) == ("stored", [])
    found = by_code(clinic)
    parts = found.pop("timed-water-swallow")
    assert [each["valueQuantity"]["value"] for each in parts["component"]] == [150, 0, 9, 8]
    values = {code: each["valueQuantity"]["value"] for code, each in found.items()}
    assert values == pytest.approx(
        {
            "water-swallow-capacity": 16.6667,
            "water-swallow-volume": 18.75,
            "water-swallow-time": 1.125,
        },
        abs=5e-5,
    )
    for each in found.values():
        assert each["derivedFrom"] == [{"reference": f"Observation/{parts['id']}"}]
        assert each["effectiveDateTime"] == parts["effectiveDateTime"]
        assert f"Observation/{each['id']}" in told["resources"]


def test_a_correction_brings_the_measures_up_to_date(clinic: Clinic) -> None:
    for revision, seconds in ((1, 9), (2, 12)):
        row = {"measure": "timed-water-swallow", "parts": DRINK | {"seconds": seconds}}
        note = clinic.note(techniques=[], measures=[row], revision=revision)
        assert clinic.send(note).is_success
        capacity = by_code(clinic)["water-swallow-capacity"]["valueQuantity"]["value"]
        assert capacity == pytest.approx(150 / seconds)
    assert len(clinic.of_client("Observation")) == 4


def test_a_trial_that_gave_none_is_kept_and_left_out(clinic: Clinic) -> None:
    row = {
        "measure": "swallow-delay-trials",
        "parts": {"delays": [3.0, None, 4.0], "delaysAfterStimulus": [2.5, 2.0]},
    }
    assert only(clinic.send(clinic.note(techniques=[], measures=[row])))["status"] == "stored"
    found = by_code(clinic)
    absent = found["swallow-delay-trials"]["component"][1]
    assert "dataAbsentReason" in absent
    assert found["swallow-delay"]["valueQuantity"]["value"] == 3.5
    assert found["stimulus-effect"]["valueQuantity"]["value"] == pytest.approx(-1.25)


@pytest.mark.parametrize(
    ("row", "place"),
    [
        ({"measure": "timed-water-swallow", "parts": DRINK | {"left": 150}}, "/parts"),
        ({"measure": "timed-water-swallow", "parts": {"given": 150}}, "/parts"),
        ({"measure": "timed-water-swallow", "parts": DRINK | {"speed": 3}}, "/parts/speed"),
        ({"measure": "timed-water-swallow", "parts": DRINK | {"seconds": -2}}, "/parts/seconds"),
        ({"measure": "timed-water-swallow", "parts": DRINK | {"swallows": 2.5}}, "/parts/swallows"),
        ({"measure": "timed-water-swallow", "parts": DRINK, "unit": "mL"}, "/unit"),
        ({"measure": "timed-water-swallow", "value": 16.7}, "/value"),
        ({"measure": "tongue-pressure", "parts": {"presses": [20]}}, "/parts"),
        ({"measure": "tongue-pressure"}, "/value"),
        ({"measure": "tongue-pressure", "value": 20, "unit": "kPa", "parts": DRINK}, "/parts"),
        ({"measure": "tongue-hold", "parts": {"maximum": 40, "trace": [40, 30]}}, "/parts/trace"),
        ({"measure": "trial-block", "parts": {"trials": 10, "wanted": 11}}, "/parts"),
        ({"measure": "tongue-presses", "parts": {"presses": [20, 900]}}, "/parts/presses/1"),
    ],
)
def test_what_cannot_be_is_refused_with_its_place(clinic: Clinic, row: Json, place: str) -> None:
    told = only(clinic.send(clinic.note(techniques=[], measures=[row])))
    assert told["status"] == "refused"
    assert f"/sessions/0/measures/0{place}" in places(told)
    assert clinic.of_client("Observation") == []


def test_parts_in_a_table(clinic: Clinic) -> None:
    table = (
        "session;client;start;measure;parts;region\n"
        'T-1;C-1;2025-11-02T09:00;timed-water-swallow;"given=150; left=0; seconds=9; swallows=8";\n'
        "T-1;C-1;2025-11-02T09:00;tongue-presses;presses=21.5 25.0 23.1;tongue-blade\n"
        'T-1;C-1;2025-11-02T09:00;swallow-delay-trials;"delays=3.0 - 4.0";\n'
    )
    answer = clinic.send_table(table)
    assert answer.status_code == 201, answer.text
    found = by_code(clinic)
    assert found["tongue-pressure"]["valueQuantity"]["value"] == 25
    assert found["tongue-pressure"]["bodySite"]["coding"][0]["code"] == "tongue-blade"
    assert found["swallow-delay"]["valueQuantity"]["value"] == 3.5
    assert "water-swallow-capacity" in found
    wrong = clinic.send_table(
        "session,client,start,measure,parts\nT-2,C-1,2025-11-02T09:00,flow-test,remaining 4\n"
    )
    assert places(only(wrong))[0] == "row 2, column parts"


def test_a_second_rater_and_their_agreement(clinic: Clinic) -> None:
    clinic.put("Practitioner", f"{clinic.name}-u", identifier=[clinic.number("staff", "T-2")])
    rows = []
    for number, (one, other) in enumerate([(1, 1), (2, 3), (8, 8), (5, 5)]):
        at = f"2025-11-02T09:1{number}"
        score = {"measure": "penetration-aspiration", "at": at}
        rows += [score | {"value": one}, score | {"value": other, "by": "T-2"}]
    told = only(clinic.send(clinic.note(techniques=[], measures=rows)))
    assert (told["status"], told["issues"]) == ("stored", [])
    progress = clinic.http.get(f"/fhir/CarePlan/{clinic.name}-plan/$progress").json()
    (found,) = [each for each in progress["parameter"] if each["name"] == "agreement"]
    raters = [p["valueReference"]["reference"] for p in found["part"] if p["name"] == "rater"]
    assert raters == [f"Practitioner/{clinic.name}-t", f"Practitioner/{clinic.name}-u"]
    percent = next(p["valueDecimal"] for p in found["part"] if p["name"] == "percent")
    assert percent == 75
    unknown = [{"measure": "penetration-aspiration", "value": 1, "by": "T-9"}]
    again = only(clinic.send(clinic.note("S-2", techniques=[], measures=unknown)))
    assert "/sessions/0/measures/0/by" in places(again) + places(again, "warning")
