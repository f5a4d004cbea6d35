"""Does applying a definition give what R4 says?

Sources: OperationDefinition PlanDefinition-apply and ActivityDefinition-apply of hl7.fhir.r4.core
4.0.1 ("a CarePlan resource with a single activity represented by a RequestGroup … actions for each
of the applicable actions"); R4 pages PlanDefinition and ActivityDefinition, sections Applying; the
map of ActivityDefinition to ServiceRequest.
"""

from __future__ import annotations

import copy
import itertools
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import date
from typing import Any

import pytest

from service.errors import HyoidError, Invalid, NotSupported, TooCostly
from service.standard.applying import (
    Context,
    apply_activity,
    apply_plan,
    as_care_plan,
    as_transaction,
)
from service.standard.applying.goals import day_after
from service.standard.applying.plans import DEEPEST, MOST_ACTIONS
from service.standard.validation import Surroundings, validate

Resource = dict[str, Any]

DOSE = "https://clinic.example/dose"
STIMULUS = "https://clinic.example/stimulus"


def activity(**more: Any) -> Resource:
    found: Resource = {
        "resourceType": "ActivityDefinition",
        "url": "https://clinic.example/ActivityDefinition/strokes",
        "version": "2",
        "status": "active",
        "kind": "ServiceRequest",
        "code": {"text": "Strokes"},
        "bodySite": [{"text": "Tongue"}],
        "quantity": {"value": 30},
        "timingTiming": {"repeat": {"frequency": 3, "period": 1, "periodUnit": "wk"}},
        "participant": [{"type": "patient"}, {"type": "practitioner", "role": {"text": "SLT"}}],
        "location": {"reference": "Location/l"},
        "usage": "A fresh item.",
        "extension": [
            {"url": DOSE, "valueString": "five"},
            {"url": STIMULUS, "valueString": "probe"},
            {"url": STIMULUS, "valueString": "spoon"},
            {"url": "https://clinic.example/else", "valueString": "stays"},
        ],
    }
    return found | more


def plan(*actions: Resource, **more: Any) -> Resource:
    return {
        "resourceType": "PlanDefinition",
        "url": "https://clinic.example/PlanDefinition/plan",
        "version": "1",
        "title": "Strokes & more",
        "status": "active",
        "action": list(actions),
        **more,
    }


def action(name: str, *conditions: str, **more: Any) -> Resource:
    found: Resource = {
        "id": name,
        "title": name.capitalize(),
        "definitionCanonical": "https://clinic.example/ActivityDefinition/strokes|2",
    }
    if conditions:
        found["condition"] = [
            {
                "kind": "applicability",
                "expression": {"language": "text/fhirpath", "expression": text},
            }
            for text in conditions
        ]
    return found | more


GOAL = {
    "id": "g",
    "description": {"text": "Prompt swallow"},
    "addresses": [{"coding": [{"system": "s", "code": "dysphagia"}]}],
    "target": [
        {
            "measure": {"text": "Delay"},
            "detailQuantity": {"value": 3},
            "due": {"value": 12, "code": "wk", "system": "http://unitsofmeasure.org"},
        }
    ],
}
CONDITIONS = (
    {
        "resourceType": "Condition",
        "id": "c1",
        "code": {"coding": [{"system": "s", "code": "dysphagia"}]},
    },
    {"resourceType": "Condition", "id": "c2", "code": {"coding": [{"code": "other"}]}},
)


def context(**more: Any) -> Context:
    definitions = {"https://clinic.example/ActivityDefinition/strokes|2": activity()}
    base = Context(
        subject={"resourceType": "Patient", "id": "p", "gender": "female"},
        today=date(2026, 11, 25),
        resolve=definitions.get,
        practitioner="Practitioner/x",
        organization="Organization/o",
        encounter="Encounter/e",
        variables={"weakerSide": None, "tone": "low"},
        conditions=CONDITIONS,
        carried={DOSE: 0, STIMULUS: 1},
        plan_defaults={"category": [{"text": "Therapy"}]},
    )
    return replace(base, **more)


def errors(resource: Resource) -> list[str]:
    return [f"{i.expression}: {i.text}" for i in validate(resource) if i.severity == "error"]


def urns() -> Callable[[], str]:
    numbers = itertools.count(1)
    return lambda: f"urn:uuid:00000000-0000-4000-8000-{next(numbers):012d}"


def test_request_has_what_the_map_of_r4_gives_it() -> None:
    request = apply_activity(activity(priority="urgent", doNotPerform=False), context())
    assert request["instantiatesCanonical"] == [f"{activity()['url']}|2"]
    assert (request["status"], request["intent"]) == ("draft", "proposal")
    assert (request["priority"], request["doNotPerform"]) == ("urgent", False)
    assert request["code"] == {"text": "Strokes"}
    assert request["bodySite"] == [{"text": "Tongue"}]
    assert request["quantityQuantity"] == {"value": 30}
    assert request["subject"] == {"reference": "Patient/p"}
    assert request["encounter"] == {"reference": "Encounter/e"}
    assert request["occurrenceTiming"]["repeat"]["frequency"] == 3
    assert request["authoredOn"] == "2026-11-25"
    assert request["requester"] == {"reference": "Practitioner/x"}
    assert request["performerType"] == {"text": "SLT"}
    assert request["locationReference"] == [{"reference": "Location/l"}]
    assert errors(request) == []


def test_requester_is_the_organization_where_there_is_no_practitioner() -> None:
    request = apply_activity(activity(), context(practitioner=None))
    assert request["requester"] == {"reference": "Organization/o"}
    nobody = apply_activity(activity(), context(practitioner=None, organization=None))
    assert "requester" not in nobody


def test_timing_that_does_not_fit_a_request_is_left_out() -> None:
    definition = activity(timingDuration={"value": 1, "code": "wk"})
    del definition["timingTiming"]
    assert not [name for name in apply_activity(definition, context()) if "occurrence" in name]


def test_extensions_go_along_as_far_as_they_are_carried() -> None:
    request = apply_activity(activity(), context())
    assert [each["valueString"] for each in request["extension"]] == ["five", "probe"]


def test_activity_that_asks_for_a_task_becomes_one() -> None:
    task = apply_activity(activity(kind="Task", description="Look"), context())
    assert (task["resourceType"], task["description"]) == ("Task", "Look")
    assert task["for"] == {"reference": "Patient/p"}
    assert errors(task) == []


@pytest.mark.parametrize("change", [{"kind": "MedicationRequest"}, {"transform": "http://x"}])
def test_what_is_not_made_here_is_refused(change: Resource) -> None:
    with pytest.raises(NotSupported):
        apply_activity(activity(**change), context())


def test_care_plan_has_one_activity_which_is_a_group_of_the_actions() -> None:
    """OperationDefinition-PlanDefinition-apply, comment."""
    made = as_care_plan(apply_plan(plan(action("one"), action("two"), goal=[GOAL]), context()))
    assert made["resourceType"] == "CarePlan"
    assert (made["status"], made["intent"]) == ("draft", "proposal")
    assert made["instantiatesCanonical"] == ["https://clinic.example/PlanDefinition/plan|1"]
    assert made["subject"] == {"reference": "Patient/p"}
    assert made["activity"] == [{"reference": {"reference": "#group"}}]
    held = {f"#{each['id']}": each for each in made["contained"]}
    group = held["#group"]
    assert group["resourceType"] == "RequestGroup"
    assert [each["title"] for each in group["action"]] == ["One", "Two"]
    requests = [held[each["resource"]["reference"]] for each in group["action"]]
    assert [each["resourceType"] for each in requests] == ["ServiceRequest"] * 2
    assert {each["intent"] for each in requests} == {"option"}
    assert [held[each["reference"]]["resourceType"] for each in made["goal"]] == ["Goal"]
    assert errors(made) == []


def test_only_applicable_actions_are_there_and_the_others_are_told() -> None:
    definition = plan(
        action("low", "%tone = 'low'"),
        action("high", "%tone = 'high'"),
        action("sided", "%weakerSide = 'left'"),
        action("unsided", "%weakerSide.empty()"),
        action("woman", "gender = 'female'", "Patient.gender.exists()"),
        action("both", "%tone = 'low'", "gender = 'male'"),
        action("subject", "%subject.gender = 'female'"),
    )
    applied = apply_plan(definition, context())
    assert [each.kept["id"] for each in applied.steps()] == ["low", "unsided", "woman", "subject"]
    assert [each.split(":")[0] for each in applied.left_out] == ["High", "Sided", "Both"]
    notes = [each["text"] for each in as_care_plan(applied, ["Look"])["note"]]
    assert notes == [*(f"Left out: {each}" for each in applied.left_out), "Look"]


def test_start_and_stop_conditions_are_carried_and_not_evaluated() -> None:
    condition = {"kind": "stop", "expression": {"language": "text/cql", "expression": "Tired"}}
    applied = apply_plan(plan(action("one", condition=[condition])), context())
    assert applied.actions[0].kept["condition"] == [condition]


def test_goal_comes_with_its_due_date_and_the_problem_it_addresses() -> None:
    (goal,) = apply_plan(plan(goal=[GOAL]), context()).goals
    assert goal["lifecycleStatus"] == "proposed"
    assert goal["target"] == [
        {"measure": {"text": "Delay"}, "detailQuantity": {"value": 3}, "dueDate": "2027-02-17"}
    ]
    assert goal["addresses"] == [{"reference": "Condition/c1"}]
    assert errors(goal) == []


def test_care_plan_addresses_the_problems_of_its_goals() -> None:
    care_plan = apply_plan(plan(goal=[GOAL]), context()).care_plan
    assert care_plan["addresses"] == [{"reference": "Condition/c1"}]
    assert care_plan["category"] == [{"text": "Therapy"}]
    assert care_plan["author"] == {"reference": "Practitioner/x"}


def test_action_comes_before_the_activity() -> None:
    """R4: title, description, code and timing of the plan's action override the activity's."""
    timing = {"event": ["2026-12-01"]}
    own = action(
        "one",
        description="Short ones",
        timingTiming=timing,
        priority="asap",
        reason=[{"text": "Delay"}],
        extension=[{"url": DOSE, "valueString": "three"}],
    )
    (request,) = apply_plan(plan(own), context()).requests()
    assert request["occurrenceTiming"] == timing
    assert request["priority"] == "asap"
    assert request["reasonCode"] == [{"text": "Delay"}]
    assert [each["text"] for each in request["note"]] == ["Short ones", "A fresh item."]
    assert [each["valueString"] for each in request["extension"]] == ["three", "probe"]


def test_dynamic_values_are_set_activity_first_and_then_the_plan() -> None:
    def dynamic(path: str, text: str) -> Resource:
        return {"path": path, "expression": {"language": "text/fhirpath", "expression": text}}

    definition = activity(
        dynamicValue=[
            dynamic("priority", "'routine'"),
            dynamic("bodySite[0].text", "%tone & ' side'"),
            dynamic("patientInstruction", "'Gently'"),
        ]
    )
    own = action(
        "one",
        dynamicValue=[
            dynamic("priority", "'urgent'"),
            dynamic("patientInstruction", "{}"),
            dynamic("%action.title", "'For ' & %subject.gender"),
        ],
    )
    applied = apply_plan(plan(own), context(resolve=lambda _: definition))
    (request,) = applied.requests()
    assert request["priority"] == "urgent"
    assert request["bodySite"] == [{"text": "low side"}]
    assert "patientInstruction" not in request
    assert applied.actions[0].kept["title"] == "For female"


@pytest.mark.parametrize(
    "path", ["nonsense", "code..text", "bodySite[9].text", "where(x)", "code.text.more", "a." * 40]
)
def test_dynamic_value_at_no_simple_path_is_refused(path: str) -> None:
    expression = {"language": "text/fhirpath", "expression": "'x'"}
    definition = activity(dynamicValue=[{"path": path, "expression": expression}])
    with pytest.raises(NotSupported):
        apply_activity(definition, context())


def test_groups_nest_and_a_plan_within_a_plan_becomes_a_group() -> None:
    inner = plan(action("deep"), goal=[GOAL | {"id": "inner"}])
    nested = action("plan", definitionCanonical="https://clinic.example/PlanDefinition/inner")
    definition = plan(
        {"id": "group", "title": "Group", "groupingBehavior": "logical-group"}
        | {"action": [action("a"), action("b", "false")]},
        nested,
        {"id": "empty", "title": "Empty", "action": [action("c", "false")]},
    )

    def resolve(canonical: str) -> Resource | None:
        return inner if "inner" in canonical else activity()

    applied = apply_plan(definition, context(resolve=resolve))
    assert [each.kept["id"] for each in applied.actions] == ["group", "plan"]
    assert [each.kept["id"] for each in applied.steps()] == ["a", "deep"]
    assert len(applied.goals) == 1
    made = as_care_plan(applied)
    group = next(each for each in made["contained"] if each["id"] == "group")
    assert all(("action" in each) != ("resource" in each) for each in group["action"])
    assert errors(made) == []


def test_action_without_a_definition_becomes_a_task() -> None:
    applied = apply_plan(plan({"id": "look", "title": "Look again"}), context())
    (task,) = applied.requests()
    assert (task["resourceType"], task["description"]) == ("Task", "Look again")
    assert errors(as_care_plan(applied)) == []


def test_relation_to_an_action_that_was_left_out_goes_with_it() -> None:
    related = [
        {"actionId": "gone", "relationship": "after"},
        {"actionId": "first", "relationship": "after"},
    ]
    definition = plan(
        action("first"), action("gone", "false"), action("last", relatedAction=related)
    )
    applied = apply_plan(definition, context())
    assert applied.actions[-1].kept["relatedAction"] == related[1:]


def test_transaction_links_plan_goals_and_orders_and_is_valid() -> None:
    definition = plan(action("one", goalId=["g"]), action("two"), goal=[GOAL])
    issue = {
        "resourceType": "DetectedIssue",
        "status": "preliminary",
        "patient": {"reference": "Patient/p"},
    }
    bundle = as_transaction(apply_plan(definition, context()), urns(), ["Look"], [issue])
    assert errors(bundle) == []
    entries = {each["fullUrl"]: each["resource"] for each in bundle["entry"]}
    assert len(entries) == len(bundle["entry"]) == 5
    surroundings = Surroundings.of(bundle)
    for resource in entries.values():
        found = validate(resource, within=surroundings)
        assert [each for each in found if each.severity == "error"] == []
    (name, care_plan), (goal_name, _), *rest = entries.items()
    assert care_plan["goal"] == [{"reference": goal_name}]
    orders = {key: each for key, each in rest if each["resourceType"] == "ServiceRequest"}
    assert [each["reference"]["reference"] for each in care_plan["activity"]] == list(orders)
    assert all(each["basedOn"] == [{"reference": name}] for each in orders.values())
    assert {each["intent"] for each in orders.values()} == {"proposal"}
    pertains = next(iter(orders.values()))["extension"][-1]
    assert pertains["valueReference"] == {"reference": goal_name}
    assert rest[-1][1]["implicated"] == [{"reference": name}]
    assert {each["request"]["method"] for each in bundle["entry"]} == {"POST"}


def test_issues_are_contained_and_refer_to_their_container() -> None:
    issue = {
        "resourceType": "DetectedIssue",
        "status": "preliminary",
        "patient": {"reference": "Patient/p"},
    }
    made = as_care_plan(apply_plan(plan(action("one")), context()), (), [issue])
    assert made["supportingInfo"] == [{"reference": "#issue-1"}]
    assert made["contained"][-1]["implicated"] == [{"reference": "#"}]
    assert errors(made) == []


def test_nothing_that_was_handed_in_is_changed() -> None:
    definition = plan(action("one"), goal=[GOAL])
    before = copy.deepcopy(definition)
    applied = apply_plan(definition, context())
    first = as_care_plan(applied)
    as_transaction(applied, urns())
    assert definition == before
    assert as_care_plan(applied) == first


def test_title_is_told_as_text_and_not_as_markup() -> None:
    made = as_care_plan(apply_plan(plan(action("a<b")), context()))
    assert "Strokes &amp; more" in made["text"]["div"]
    assert errors(made) == []


def _deep(levels: int) -> Resource:
    inner = action("leaf")
    for _ in range(levels):
        inner = {"title": "Group", "action": [inner]}
    return inner


def _refused() -> Iterator[tuple[Resource, type[HyoidError]]]:
    yield plan(action("one", definitionCanonical="https://clinic.example/none")), NotSupported
    yield plan(action("one", transform="https://clinic.example/map")), NotSupported
    yield plan(action("one", "%nobody.exists()")), Invalid
    yield plan(action("one", "gender = ")), Invalid
    yield plan(action("one", "1 + 2 * 3")), Invalid
    yield plan(action("one", "(" * 3000 + "true" + ")" * 3000)), NotSupported
    yield plan(action("one", "(" * 900 + "true" + ")" * 900)), Invalid
    cql = {"kind": "applicability", "expression": {"language": "text/cql", "expression": "X"}}
    yield plan(action("one", condition=[cql])), NotSupported
    yield plan(*(action(f"a{number}") for number in range(MOST_ACTIONS + 1))), TooCostly
    yield plan(_deep(DEEPEST + 2)), TooCostly


@pytest.mark.parametrize(("definition", "error"), list(_refused()))
def test_what_cannot_be_applied_is_refused(definition: Resource, error: type[HyoidError]) -> None:
    with pytest.raises(error):
        apply_plan(definition, context())


def test_plan_that_holds_itself_is_refused() -> None:
    loop = plan(action("again", definitionCanonical="https://clinic.example/PlanDefinition/plan"))
    with pytest.raises(TooCostly):
        apply_plan(loop, context(resolve=lambda _: loop))


@pytest.mark.parametrize(
    ("value", "unit", "day"),
    [
        (10, "d", "2026-12-05"),
        (2, "wk", "2026-12-09"),
        (3, "mo", "2027-02-25"),
        (1, "a", "2027-11-25"),
        (2, "h", None),
        (10**12, "d", None),
    ],
)
def test_due_day_is_counted_in_the_calendar(value: int, unit: str, day: str | None) -> None:
    found = day_after(date(2026, 11, 25), {"value": value, "code": unit})
    assert (found.isoformat() if found else None) == day


def test_month_without_that_day_ends_on_its_last() -> None:
    assert day_after(date(2026, 11, 30), {"value": 3, "code": "mo"}) == date(2027, 2, 28)
