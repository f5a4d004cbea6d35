"""Parts, two raters, and values within the session, in the answer about a plan."""

from __future__ import annotations

import statistics
from datetime import timedelta
from typing import Any

import pytest

from service.rest.conversion import convert
from service.standard.validation import validate
from service.therapy.course.course import Material, Question, read_course
from service.therapy.direct.derived import derived
from service.therapy.direct.parts import outcomes, row_of
from service.therapy.progress.answer import progress_of
from service.therapy.progress.bundle import bundle
from service.therapy.progress.parameters import parameters
from service.therapy.progress.report import report
from tests.factories.course import START, client, measured, plan, quantity, weekly
from tests.factories.parts import drink, rated

Resource = dict[str, Any]

TODAY = (START + timedelta(weeks=20)).toordinal()
SATURATION = {"coding": [{"system": "http://loinc.org", "code": "2708-6"}]}


def answer(*observations: Resource) -> Resource:
    """The Parameters about the plan p1; every form is valid."""
    course = read_course(
        Material(plan(), [], [], [], []), Question(TODAY), [(o, o) for o in observations], convert
    )
    progress = progress_of(course, convert, client())
    found = parameters(progress, lambda value: dict(value.source["valueQuantity"]))
    for resource in (
        found,
        bundle(progress, "2026-11-25T10:00:00Z", "0"),
        report(progress, "2026-11-25T10:00:00Z"),
    ):
        assert [str(issue) for issue in validate(resource)] == []
    return found


def named(found: Resource, name: str, code: str | None = None) -> list[dict[str, Any]]:
    """Values of the parts, by name; of several the last."""
    listed = []
    for parameter in found["parameter"]:
        if parameter["name"] == name:
            told = {
                part["name"]: next(v for key, v in part.items() if key.startswith("value"))
                for part in parameter["part"]
            }
            if code is None or told["code"]["code"] == code:
                listed.append(told)
    return listed


def drinks() -> list[Resource]:
    return [
        drink(150, 0, 15.0 - n, 8, key=f"d{n}", effectiveDateTime=f"2026-03-{10 + n}T09:00:00Z")
        for n in range(5)
    ]


def test_measures_that_follow_from_parts_have_a_course() -> None:
    """Capacity is 150 mL by the seconds: computed here from the raw parts."""
    (found,) = named(answer(*drinks()), "measure", "water-swallow-capacity")
    assert found["treatment-count"] == 5
    assert found["latest"]["value"] == pytest.approx(150 / 11)
    assert found["verdict"] == "improving"
    assert found["based-on"] == {"reference": "Observation/d4"}


def test_what_is_stored_as_derived_is_not_counted_twice() -> None:
    parts = drinks()
    stored = []
    for number, resource in enumerate(parts):
        capacity, *_ = outcomes(row_of(resource) or {}, resource, convert)
        stored.append(derived(capacity, resource) | {"id": f"stored-{number}"})
    found = answer(*parts, *stored)
    (capacity_told,) = named(found, "measure", "water-swallow-capacity")
    assert capacity_told["treatment-count"] == 5
    assert capacity_told["based-on"] == {"reference": "Observation/stored-4"}
    (volume,) = named(found, "measure", "water-swallow-volume")
    assert volume["treatment-count"] == 5


def test_parts_that_contradict_are_told_and_left_out() -> None:
    wrong = drink(150, 150, 9, 8, key="w", effectiveDateTime="2026-03-20T09:00:00Z")
    (found,) = named(answer(*drinks(), wrong), "measure", "water-swallow-capacity")
    assert found["treatment-count"] == 5
    assert "1 left out: its parts give no value" in found["rule"]


def test_agreement_of_two_raters() -> None:
    """The 2x2 table 20, 5, 10, 15 of textbooks: kappa 0.40 (0.1511 to 0.6489)."""
    table = [[20, 5], [10, 15]]
    cells = [(1 + a, 1 + b) for a in (0, 1) for b in (0, 1) for _ in range(table[a][b])]
    observations = []
    for number, levels in enumerate(cells):
        at = f"2026-03-04T09:00:{number:02d}Z"
        for who, level in zip(("ada", "zoe"), levels, strict=True):
            observations.append(rated(f"{who}{number}", who, level, at))
    (found,) = named(answer(*observations), "agreement")
    assert (found["count"], found["percent"]) == (50, 70)
    # On a scale of eight levels, of which two are used, quadratic weights give the plain kappa.
    ours = found["kappa"], found["kappa-low"], found["kappa-high"]
    assert ours == pytest.approx((0.4, 0.1511, 0.6489), abs=5e-5)
    assert found["weights"] == "quadratic"


def test_one_answer_throughout_has_no_kappa() -> None:
    pair = [rated(who, who, 1, "2026-03-04T09:00:00Z") for who in ("ada", "zoe")]
    (found,) = named(answer(*pair), "agreement")
    assert "kappa" not in found
    assert "No kappa" in found["rule"]


def saturation(key: str, at: str, percent: float) -> Resource:
    found = measured("p1", 0, at, percent, code="x", unit="%")
    session = {"reference": f"Encounter/{at[:10]}"}
    return found | {"id": key, "code": SATURATION, "encounter": session}


def test_first_and_later_values_of_a_session_are_told_apart() -> None:
    """Medians of the statistics module over sessions made by hand; three points are a fall."""
    sessions = [(97, 94), (98, 97), (96, 96), (97, 93)]
    values = []
    for number, (before, after) in enumerate(sessions):
        day = f"2026-03-1{number}"
        values.append(saturation(f"b{number}", f"{day}T09:00:00Z", before))
        values.append(saturation(f"a{number}", f"{day}T09:40:00Z", after))
    values.append(saturation("single", "2026-03-18T09:00:00Z", 91))
    found = answer(*values)
    (within,) = named(found, "within-session")
    assert within["sessions"] == 4
    assert within["first"] == statistics.median(before for before, _ in sessions)
    assert within["lowest"] == statistics.median(after for _, after in sessions)
    assert within["change"] == statistics.median(after - before for before, after in sessions)
    assert within["falls"] == 2
    (whole,) = named(found, "measure", "2708-6")
    assert whole["treatment-count"] == 9
    assert "within-session" in whole["rule"]
    cautions = [p["valueString"] for p in found["parameter"] if p["name"] == "caution"]
    assert any("2 of 4 sessions" in text for text in cautions)


def test_without_times_nothing_is_told_of_the_session() -> None:
    found = answer(saturation("a", "2026-03-10", 97), saturation("b", "2026-03-10", 90))
    assert named(found, "within-session") == []


def test_no_claim_of_change_on_endurance_without_a_baseline_either() -> None:
    """Adams 2014: endurance is not reliable enough."""
    values = weekly("p1", [], [10, 12, 14, 16, 18, 20], code="tongue-endurance")
    (found,) = named(answer(*values), "measure", "tongue-endurance")
    assert found["verdict"] == "no reliable change"
    assert "Adams" in found["rule"]


def test_values_in_a_row_beyond_the_band_are_told() -> None:
    """Parker, Vannest and Davis 2011: band 17.66 to 27.67, the last three values lie above."""
    values = weekly(
        "p1", [20, 20, 26, 25, 22, 23], [28, 25, 24, 27, 30, 30, 29], code="phonation-time"
    )
    (found,) = named(answer(*values), "measure", "phonation-time")
    assert "3 treatment values in a row lie above the band" in found["rule"]


def test_delays_of_the_responses_are_summed_up() -> None:
    from tests.factories.course import delivered, response

    technique = "faucial-cold-strokes"
    procedures, observations, seconds = [], [], []
    for number in range(3):
        day = START + timedelta(days=number)
        own = [2.0 + number, 3.0]
        seconds += own
        procedures.append(delivered("p1", number, technique, day))
        told = response("p1", number, technique, day, "wanted")
        told["component"] = [
            {
                "code": {
                    "coding": [
                        {
                            "system": "https://hyoid.example/fhir/CodeSystem/measure",
                            "code": "swallow-delay-after-stimulus",
                        }
                    ]
                },
                "valueQuantity": quantity(each, "s"),
            }
            for each in own
        ]
        observations.append(told)
    course = read_course(
        Material(plan(), [], [], procedures, []),
        Question(TODAY),
        [(o, o) for o in observations],
        convert,
    )
    found = parameters(progress_of(course, convert), lambda value: None)
    (told,) = named(found, "technique-response")
    assert told["delays"] == 6
    assert told["delay-mean"] == pytest.approx(statistics.fmean(seconds))
    assert told["delay-median"] == pytest.approx(statistics.median(seconds))
    assert told["delay-spread"] == pytest.approx(statistics.stdev(seconds))
