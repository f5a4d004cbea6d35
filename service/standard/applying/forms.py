"""In which form is an applied plan handed over?

As R4 says: one CarePlan with one activity, a RequestGroup, and everything contained (`#goal-1`,
`#group`, `#request-1`). Or as a transaction Bundle: the CarePlan, its Goals and its requests as
resources of their own, so that they can be posted as they are. Requests are options within the
RequestGroup, and proposals in the transaction.
"""

from __future__ import annotations

import copy
from collections.abc import Callable, Sequence
from typing import Any

from service.standard.applying.narrative import narrative_of
from service.standard.applying.plans import Action, Applied

Resource = dict[str, Any]

PERTAINS = "http://hl7.org/fhir/StructureDefinition/resource-pertainsToGoal"


def as_care_plan(
    applied: Applied, notes: Sequence[str] = (), issues: Sequence[Resource] = ()
) -> Resource:
    """The CarePlan with everything contained; `issues` are DetectedIssues on it."""
    goals = [f"#goal-{number}" for number in range(1, len(applied.goals) + 1)]
    contained = [_named(goal, name) for goal, name in zip(applied.goals, goals, strict=True)]
    requests: list[Resource] = []
    actions = [_group_action(action, goals, requests) for action in applied.actions]
    plan = _plan(applied, notes, goals)
    if actions:
        plan["activity"] = [{"reference": {"reference": "#group"}}]
        contained.append(_group(applied, actions))
    contained += requests
    named = [f"#issue-{number}" for number in range(1, len(issues) + 1)]
    contained += [
        _named(_implicated(issue, "#"), name) for issue, name in zip(issues, named, strict=True)
    ]
    if named:
        plan["supportingInfo"] = [{"reference": name} for name in named]
    head = {name: plan.pop(name) for name in ("resourceType", "text")}
    return head | ({"contained": contained} if contained else {}) | plan


def as_transaction(
    applied: Applied,
    new_urn: Callable[[], str],
    notes: Sequence[str] = (),
    issues: Sequence[Resource] = (),
) -> Resource:
    """A Bundle that creates the CarePlan, its Goals, its requests and the DetectedIssues."""
    name = new_urn()
    goals = [new_urn() for _ in applied.goals]
    steps = [(new_urn(), step) for step in applied.steps()]
    plan = _plan(applied, notes, goals)
    if steps:
        plan["activity"] = [{"reference": {"reference": urn}} for urn, _ in steps]
    entries = [(name, plan), *zip(goals, copy.deepcopy(applied.goals), strict=True)]
    for urn, step in steps:
        request = _request(step, goals)
        request["basedOn"] = [{"reference": name}]
        entries.append((urn, request))
    entries += [(new_urn(), _implicated(issue, name)) for issue in issues]
    return {
        "resourceType": "Bundle",
        "type": "transaction",
        "entry": [_entry(urn, resource) for urn, resource in entries],
    }


def _plan(applied: Applied, notes: Sequence[str], goals: Sequence[str]) -> Resource:
    plan = copy.deepcopy(applied.care_plan)
    text = narrative_of(
        plan.get("title", "Plan"),
        {
            "Goal": [goal.get("description", {}).get("text", "") for goal in applied.goals],
            "Order": [step.kept.get("title", "") for step in applied.steps()],
            "Left out": applied.left_out,
            "Note": notes,
        },
    )
    plan = {"resourceType": plan.pop("resourceType"), "text": text} | plan
    if goals:
        plan["goal"] = [{"reference": name} for name in goals]
    told = [*(f"Left out: {each}" for each in applied.left_out), *notes]
    if told:
        plan["note"] = [{"text": text} for text in told]
    return plan


def _group(applied: Applied, actions: list[Resource]) -> Resource:
    plan = applied.care_plan
    group: Resource = {"resourceType": "RequestGroup", "id": "group"}
    group |= {name: plan[name] for name in ("instantiatesCanonical",) if name in plan}
    group |= {"status": "draft", "intent": "proposal"}
    group |= {name: plan[name] for name in ("subject", "encounter") if name in plan}
    group["authoredOn"] = plan["created"]
    author = plan.get("author", {})
    if not author.get("reference", "Organization/").startswith("Organization/"):
        group["author"] = author
    return copy.deepcopy(group) | {"action": actions}


def _group_action(action: Action, goals: Sequence[str], requests: list[Resource]) -> Resource:
    """The action of the RequestGroup; its request is added to `requests` under a name."""
    made = copy.deepcopy(action.kept)
    if action.request is not None:
        request = _request(action, goals)
        if request["resourceType"] == "ServiceRequest":
            request["intent"] = "option"
        name = f"#request-{len(requests) + 1}"
        requests.append(_named(request, name))
        made["resource"] = {"reference": name}
    else:
        made["action"] = [_group_action(each, goals, requests) for each in action.actions]
    return made


def _request(step: Action, goals: Sequence[str]) -> Resource:
    """A copy of the request that says to which goals it pertains."""
    assert step.request is not None
    request = copy.deepcopy(step.request)
    pertains = [
        {"url": PERTAINS, "valueReference": {"reference": goals[place]}} for place in step.goals
    ]
    if pertains:
        head = {"resourceType": request.pop("resourceType")}
        head |= {"meta": request.pop("meta")} if "meta" in request else {}
        request = head | {"extension": [*request.pop("extension", ()), *pertains]} | request
    return request


def _named(resource: Resource, name: str) -> Resource:
    rest = copy.deepcopy(resource)
    return {"resourceType": rest.pop("resourceType"), "id": name.removeprefix("#")} | rest


def _implicated(issue: Resource, name: str) -> Resource:
    return copy.deepcopy(issue) | {"implicated": [{"reference": name}]}


def _entry(urn: str, resource: Resource) -> Resource:
    request = {"method": "POST", "url": resource["resourceType"]}
    return {"fullUrl": urn, "resource": resource, "request": request}
