from __future__ import annotations

import json
from typing import Any

import httpx

from tests.factories.clinical import care_plan


def _told(parameters: dict[str, Any]) -> list[dict[str, str]]:
    return [
        {part["name"]: part.get("valueCode") or part["valueString"] for part in parameter["part"]}
        for parameter in parameters["parameter"]
        if parameter["name"] == "operation"
    ]


def test_diff_tells_what_changed_in_a_plan(fhir: httpx.Client, name: str) -> None:
    fhir.put(f"CarePlan/{name}", json=care_plan(name)).raise_for_status()
    goal = {"reference": "Goal/prompt-swallow"}
    revised = care_plan(name, title="Swallowing, second block", goal=[goal])
    fhir.put(f"CarePlan/{name}", json=revised).raise_for_status()
    answer = fhir.get(f"CarePlan/{name}/$diff?from=1&to=2").json()
    assert answer["parameter"][:2] == [
        {"name": "from", "valueInteger": 1},
        {"name": "to", "valueInteger": 2},
    ]
    title, goals = _told(answer)
    assert (title["op"], title["path"]) == ("replace", "/title")
    assert json.loads(title["old"]) == "Swallowing after stroke"
    assert json.loads(title["value"]) == "Swallowing, second block"
    assert "title" in title["text"]
    assert (goals["op"], goals["path"], json.loads(goals["value"])) == ("add", "/goal", [goal])


def test_diff_applied_as_a_patch_gives_the_newer_version(fhir: httpx.Client, name: str) -> None:
    first = care_plan(name, note=[{"text": "a"}, {"text": "b"}])
    second = care_plan(name, note=[{"text": "b"}, {"text": "c"}], status="on-hold")
    for plan in (first, second, first):
        fhir.put(f"CarePlan/{name}", json=plan).raise_for_status()
    told = _told(fhir.get(f"CarePlan/{name}/$diff?from=1&to=2").json())
    patch = [
        {"op": change["op"], "path": change["path"]}
        | ({"value": json.loads(change["value"])} if "value" in change else {})
        for change in told
    ]
    headers = {"Content-Type": "application/json-patch+json"}
    made = fhir.patch(f"CarePlan/{name}", content=json.dumps(patch), headers=headers)
    assert {k: v for k, v in made.json().items() if k != "meta"} == second


def test_diff_without_versions_is_the_last_change(fhir: httpx.Client, name: str) -> None:
    fhir.put(f"CarePlan/{name}", json=care_plan(name)).raise_for_status()
    assert _told(fhir.get(f"CarePlan/{name}/$diff").json()) == []
    fhir.put(f"CarePlan/{name}", json=care_plan(name, status="completed")).raise_for_status()
    (change,) = _told(fhir.get(f"CarePlan/{name}/$diff").json())
    assert change["path"] == "/status"


def test_diff_refuses_what_is_no_version(fhir: httpx.Client, name: str) -> None:
    fhir.put(f"CarePlan/{name}", json=care_plan(name)).raise_for_status()
    assert fhir.get(f"CarePlan/{name}/$diff?from=x").status_code == 400
    assert fhir.get(f"CarePlan/{name}/$diff?from=1&to=9").status_code == 404
    assert fhir.get("CarePlan/never-was/$diff").status_code == 404
