"""Are the three forms of the answer valid, honest about gaps, and readable?"""

from __future__ import annotations

import json
import random
from datetime import timedelta
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lxml import etree

from service.rest.conversion import convert
from service.standard.validation import validate
from service.therapy.course.course import Material, Question, read_course
from service.therapy.course.readings import Value
from service.therapy.progress.answer import Progress, progress_of
from service.therapy.progress.bundle import bundle, computed
from service.therapy.progress.parameters import parameters
from service.therapy.progress.report import report
from service.therapy.quantities import quantity, rounded, shown
from tests.factories.course import (
    START,
    client,
    delivered,
    goal,
    measured,
    order,
    plan,
    response,
    weekly,
)

Resource = dict[str, Any]
COLD = "faucial-cold-strokes"
ISSUED = "2026-11-25T10:00:00.000+00:00"
TODAY = (START + timedelta(weeks=20)).toordinal()


def course(observations: list[Resource], **more: Any) -> Progress:
    """The answer about the plan p1 with these Observations."""
    days = [START + timedelta(days=3 * n) for n in range(9)]
    procedures = [delivered("p1", n, COLD, day) for n, day in enumerate(days)]
    procedures.append(delivered("p1", 99, COLD, days[-1], reason="illness"))
    answers = [response("p1", n, COLD, day, "wanted") for n, day in enumerate(days)]
    requests = [order("p1", COLD, START, START + timedelta(weeks=5))]
    goals = [goal("p1", "swallow-delay", "s", high=2.0)]
    material = Material(
        plan(goal=[{"reference": "Goal/p1-goal-1"}], **more), [], requests, procedures, goals
    )
    rows = ((o, o) for o in [*observations, *answers])
    return progress_of(read_course(material, Question(TODAY), rows, convert), convert, client())


def written(value: Value) -> Resource:
    found: Resource = value.source["valueQuantity"]
    return found


FULL = [
    *weekly("p1", [4.1, 4.4, 4.2, 4.5], [4.0, 3.7, 3.5, 3.2, 3.1, 3.0, 2.9]),
    *weekly(
        "p1",
        [20, 22, 21],
        [25, 27, 30, 31, 33],
        code="tongue-pressure",
        unit="kPa",
        device={"reference": "Device/bulb"},
    ),
    *weekly("p1", [68, 68], [67, 66, 66], code="home-practice-days", unit="d"),
]


FIXED = """code unit direction baseline-count treatment-count latest slope slope-low slope-high tau
tau-u nap nap-low nap-high band-low band-high reliable-change minimal-detectable-change target
projected projected-earliest projected-latest verdict rule based-on"""


def parts(parameter: Resource, name: str) -> list[Any]:
    return [
        next(v for key, v in part.items() if key.startswith("value"))
        for part in parameter["part"]
        if part["name"] == name and "part" not in part
    ]


def named(found: Resource, name: str) -> list[Resource]:
    return [parameter for parameter in found["parameter"] if parameter["name"] == name]


def test_all_forms_are_valid_r4() -> None:
    progress = course(FULL)
    for resource in (
        parameters(progress, written),
        bundle(progress, ISSUED, "0.1.0"),
        report(progress, ISSUED),
    ):
        assert [str(issue) for issue in validate(resource)] == []


def test_an_empty_plan_is_an_answer_in_every_form() -> None:
    material = Material(plan(start=None), [], [], [], [])
    empty = progress_of(read_course(material, Question(TODAY), (), convert), convert)
    found = parameters(empty, written)
    assert [parameter["name"] for parameter in found["parameter"]] == ["goal-attainment", "caution"]
    for resource in (found, bundle(empty, ISSUED, "0"), report(empty, ISSUED)):
        assert validate(resource) == []


def test_names_of_the_parts_are_those_of_the_operation() -> None:
    """The outside interface: every name that outside checks read, and no undocumented one."""
    from service.data import mappings

    definition = json.loads(mappings("operations", "CarePlan-progress.json").read_bytes())
    told = {p["name"]: p for p in definition["parameter"] if p["use"] == "out"}
    found = parameters(course(FULL), written)
    for parameter in found["parameter"]:
        known = {part["name"]: part for part in told[parameter["name"]].get("part", ())}
        for part in parameter.get("part", ()):
            kind = known[part["name"]].get("type")
            if kind is not None:
                assert f"value{kind[0].upper()}{kind[1:]}" in part, part
    fixed = set(FIXED.split())
    assert fixed <= {part["name"] for part in told["measure"]["part"]}
    delay = next(
        m for m in named(found, "measure") if parts(m, "code")[0]["code"] == "swallow-delay"
    )
    missing = {"reliable-change", "minimal-detectable-change"}
    assert fixed - {part["name"] for part in delay["part"]} == missing
    dose = {"technique", "ordered", "delivered", "adherence", "left", "right"}
    assert dose <= {part["name"] for part in named(found, "dose")[0]["part"]}
    answer = {"technique", "sessions", "wanted", "share", "share-low", "share-high"}
    assert answer <= {part["name"] for part in named(found, "technique-response")[0]["part"]}
    reached = {"baseline", "achieved", "change"}
    assert reached <= {part["name"] for part in named(found, "goal-attainment")[0]["part"]}
    one = {"reference", "score", "weight", "proposed-status"}
    assert one <= {part["name"] for part in named(found, "goal")[0]["part"]}


def test_the_last_value_stands_as_it_was_written() -> None:
    found = parameters(course(FULL), lambda value: {"value": "2.90", "unit": "s"})
    delay = next(
        m for m in named(found, "measure") if parts(m, "code")[0]["code"] == "swallow-delay"
    )
    assert parts(delay, "latest") == [{"value": "2.90", "unit": "s"}]


def test_computed_observations_name_formula_inputs_and_device() -> None:
    progress = course(FULL)
    found = bundle(progress, ISSUED, "0.1.0")
    device, *observations = [entry["resource"] for entry in found["entry"]]
    assert device["resourceType"] == "Device"
    assert len({entry["fullUrl"] for entry in found["entry"]}) == len(found["entry"])
    inputs = {f"Observation/{o['id']}" for o in FULL}
    for observation in observations:
        code = observation["code"]["coding"][0]["code"]
        assert observation["method"]["text"].startswith(computed()[code]["definition"])
        assert observation["device"]["reference"] == found["entry"][0]["fullUrl"]
        if code == "adherence":
            assert len(observation["partOf"]) == 10
        elif not code.startswith("goal") and code != "technique-share":
            assert {r["reference"] for r in observation["derivedFrom"]} <= inputs
        assert not any(r["reference"].startswith("urn") for r in observation.get("derivedFrom", ()))
    slope = next(o for o in observations if o["code"]["coding"][0]["code"] == "slope")
    assert len(slope["derivedFrom"]) in (3, 5, 7)
    assert slope["valueQuantity"]["code"].endswith("/wk")


def test_computed_observations_are_no_input_of_a_computation() -> None:
    first = course(FULL)
    made = [entry["resource"] for entry in bundle(first, ISSUED, "0")["entry"][1:]]
    again = course([*FULL, *({**o, "id": f"made-{n}"} for n, o in enumerate(made))])
    assert parameters(again, written) == parameters(first, written)


def test_the_narrative_is_escaped_and_reads_without_styling() -> None:
    hostile = '<script>alert(1)</script> & "Plan"'
    named_ = measured("p1", 1, START, 3.0)
    named_["code"] = {"coding": [{"system": "x", "code": "y", "display": "<b onclick=x>"}]}
    found = report(course([*FULL, named_], title=hostile), ISSUED)
    div = found["text"]["div"]
    assert "<script" not in div
    assert "onclick=x>" not in div
    assert validate(found) == []
    text = "".join(etree.fromstring(div).itertext())
    assert hostile in text
    assert "Swallow delay" in text
    assert "improving" in text
    assert "licensed therapist" in text


def test_nothing_is_ever_called_safe() -> None:
    progress = course(FULL)
    for resource in (
        parameters(progress, written),
        bundle(progress, ISSUED, "0"),
        report(progress, ISSUED),
    ):
        assert " safe" not in json.dumps(resource).lower()


@pytest.mark.parametrize(
    ("number", "wanted"),
    [(1 / 3, 0.3333333333), (5.0, 5), (1e300, 1e300), (float("nan"), None), (None, None)],
)
def test_rounded(number: float | None, wanted: float | None) -> None:
    assert rounded(number) == wanted


def test_shown_and_quantity() -> None:
    assert shown(1234567.0) == "1234567"
    assert shown(None) == "–"
    assert quantity(2.0, "") == {"value": 2}


@settings(max_examples=25)
@given(st.permutations(range(len(FULL))))
def test_the_order_of_the_observations_changes_nothing(order_: list[int]) -> None:
    assert parameters(course([FULL[n] for n in order_]), written) == parameters(
        course(FULL), written
    )


def test_series_of_every_degenerate_kind_give_valid_answers() -> None:
    chance = random.Random(2)
    kinds: dict[str, tuple[list[float], list[float]]] = {
        "one value": ([], [3.0]),
        "two sessions": ([3.0], [4.0]),
        "constant": ([3.0] * 5, [3.0] * 9),
        "ties": ([3.0, 3.0, 4.0, 4.0], [4.0, 4.0, 3.0, 3.0, 4.0]),
        "huge": ([1e12, -1e12, 1e11], [1e12] * 6),
        "tiny": ([1e-12] * 4, [2e-12, 3e-12, 1e-12, 5e-12, 4e-12]),
        "noise": ([chance.random() for _ in range(6)], [chance.random() for _ in range(40)]),
        "baseline only": ([3.0, 4.0, 5.0], []),
    }
    for kind, (baseline, treatment) in kinds.items():
        progress = course(weekly("p1", baseline, treatment))
        for resource in (
            parameters(progress, written),
            bundle(progress, ISSUED, "0"),
            report(progress, ISSUED),
        ):
            assert validate(resource) == [], kind
        (measure,) = named(parameters(progress, written), "measure")
        assert parts(measure, "verdict"), kind
        assert parts(measure, "rule"), kind
