"""Are the plan templates whole, and do they fit the client?

Sources: the list of templates of the issue "The trade's knowledge as data"; R4 PlanDefinition.
"""

from __future__ import annotations

import itertools
import json
import re
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from service.data import mappings
from service.standard.applying import Applied, Context, apply_plan, as_care_plan, as_transaction
from service.standard.profiles import check, profile_issues
from service.standard.validation import validate
from service.therapy.fitting import making, parameters
from service.therapy.techniques import catalogue

Resource = dict[str, Any]

FILES = sorted(mappings("plan-templates").glob("*.json"))
NAMED = {
    "delayed-swallow-trigger",
    "one-sided-lip-weakness",
    "low-tone-lips-child",
    "high-tone-lips",
    "tongue-deviation",
    "reduced-palatal-lift",
    "dysarthria-rate-control",
}
SIDES = (None, "left", "right", "both")
TONES = (None, "low", "normal", "high", "mixed")
PROFILES = {
    "CarePlan": "therapy-plan",
    "Goal": "therapy-goal",
    "ServiceRequest": "technique-order",
}


def template(name: str) -> Resource:
    found: Resource = json.loads(mappings("plan-templates", f"{name}.json").read_bytes())
    return found


def applied(definition: Resource, side: str | None = None, tone: str | None = None) -> Applied:
    def resolve(canonical: str) -> Resource | None:
        known = catalogue().at(canonical)
        return known.definition if known else None

    return apply_plan(
        definition,
        Context(
            subject={"resourceType": "Patient", "id": "p"},
            today=date(2026, 11, 25),
            resolve=resolve,
            variables={"weakerSide": side, "tone": tone},
            carried=making().carried,
            plan_defaults=making().care_plan,
        ),
    )


def ordered(name: str, side: str | None = None, tone: str | None = None) -> set[str]:
    requests = applied(template(name), side, tone).requests()
    return {request["code"]["coding"][0]["code"] for request in requests}


def test_all_templates_are_there() -> None:
    assert {path.stem for path in FILES} >= NAMED


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_template_has_goals_with_targets_and_actions_with_known_techniques(path: Path) -> None:
    definition = json.loads(path.read_bytes())
    assert definition["id"] == path.stem
    assert definition["url"] == f"https://hyoid.example/fhir/PlanDefinition/{path.stem}"
    assert definition["usage"].endswith("Defer to local rules and the licensed therapist.")
    assert len(definition["goal"]) >= 2
    goals = {goal["id"] for goal in definition["goal"]}
    for goal in definition["goal"]:
        (target,) = goal["target"]
        assert target["measure"]["coding"]
        assert [name for name in target if name.startswith("detail")]
        assert target["due"]["code"] == "wk"
        assert goal["addresses"]
    actions = {action["id"] for action in definition["action"]}
    reached = set()
    for action in definition["action"]:
        assert catalogue().at(action["definitionCanonical"]) is not None
        assert action["timingTiming"]["repeat"]["boundsDuration"]["code"] == "wk"
        assert set(action["goalId"]) <= goals
        reached |= set(action["goalId"])
        assert {each["actionId"] for each in action.get("relatedAction", ())} <= actions
    assert reached == goals
    assert [issue for issue in validate(definition) if issue.code != "invariant"] == []


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_a_functional_task_follows_every_technique(path: Path) -> None:
    found = [
        catalogue().at(action["definitionCanonical"])
        for action in json.loads(path.read_bytes())["action"]
    ]
    there = {each.url for each in found if each is not None}
    for each in found:
        assert each is not None
        assert not each.tasks or there & set(each.tasks)


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_measures_and_units_of_targets_are_those_of_the_measure(path: Path) -> None:
    system = json.loads(mappings("code-systems", "measure.json").read_bytes())
    facts = {
        concept["code"]: {
            p["code"]: next(v for k, v in p.items() if k != "code") for p in concept["property"]
        }
        for concept in system["concept"]
    }
    for goal in json.loads(path.read_bytes())["goal"]:
        (target,) = goal["target"]
        fact = facts[target["measure"]["coding"][0]["code"]]
        for end, bound in target.get("detailRange", {}).items():
            assert bound["code"] == fact["unit"]
            if fact["direction"] == "increase":
                assert end == "low"
            if fact["direction"] == "decrease":
                assert end == "high"


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_conditions_say_in_words_what_they_ask_and_name_known_variables(path: Path) -> None:
    known = {each.name for each in parameters()}
    for action in json.loads(path.read_bytes())["action"]:
        for condition in action.get("condition", ()):
            expression = condition["expression"]
            assert expression["language"] == "text/fhirpath"
            assert expression["description"]
            assert set(re.findall(r"%(\w+)", expression["expression"])) <= known


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_plan_is_valid_and_keeps_to_our_profiles_for_every_client(path: Path) -> None:
    definition = json.loads(path.read_bytes())
    numbers = itertools.count(1)
    for side, tone in itertools.product(SIDES, TONES):
        made = applied(definition, side, tone)
        assert made.requests(), "some action is for every client"
        check(as_care_plan(made))
        bundle = as_transaction(
            made, lambda: f"urn:uuid:00000000-0000-4000-8000-{next(numbers):012d}"
        )
        check(bundle)
        for resource in (entry["resource"] for entry in bundle["entry"]):
            url = f"https://hyoid.example/fhir/StructureDefinition/{PROFILES[resource['resourceType']]}"
            broken = [i for i in profile_issues(resource, [url]) if i.severity == "error"]
            assert broken == []


def test_one_sided_weakness_is_treated_towards_the_weaker_side_where_that_is_known() -> None:
    assert "weak-side-lip-strokes" in ordered("one-sided-lip-weakness", "left")
    assert "weak-side-lip-strokes" not in ordered("one-sided-lip-weakness")
    assert "weak-side-lip-strokes" not in ordered("one-sided-lip-weakness", "both")


def test_tone_decides_between_quick_taps_and_slow_stretch() -> None:
    low = ordered("one-sided-lip-weakness", "left", "low")
    high = ordered("one-sided-lip-weakness", "left", "high")
    assert {"perioral-taps", "perioral-pressure-stretch"} & low == {"perioral-taps"}
    assert {"perioral-taps", "perioral-pressure-stretch"} & high == {"perioral-pressure-stretch"}
    assert "perioral-taps" not in ordered("low-tone-lips-child", tone="high")
    assert "perioral-pressure-stretch" not in ordered("high-tone-lips", tone="low")


def test_palate_is_stroked_by_side_where_one_is_known_and_in_the_oval_otherwise() -> None:
    sided, unsided = ordered("reduced-palatal-lift", "right"), ordered("reduced-palatal-lift")
    assert "palate-vertical-strokes" in sided
    assert "palate-oval-strokes" not in sided
    assert "palate-oval-strokes" in unsided
    assert "palate-vertical-strokes" not in unsided


def test_what_was_left_out_is_told_with_the_reason() -> None:
    made = applied(template("tongue-deviation"))
    (told,) = made.left_out
    assert told.endswith("only where the weaker side is known to be the left or the right one")


def test_order_has_the_stimulus_of_choice_and_the_whole_dose() -> None:
    made = applied(template("delayed-swallow-trigger"))
    cold = made.requests()[0]
    stimuli = [e for e in cold["extension"] if e["url"].endswith("/stimulus")]
    (stimulus,) = stimuli
    assert stimulus["valueCodeableConcept"]["coding"][0]["code"] == "cold-probe"
    (dose,) = [e for e in cold["extension"] if e["url"].endswith("/dose")]
    assert {part["url"] for part in dose["extension"]} >= {"sets", "strokesPerSide", "trials"}
