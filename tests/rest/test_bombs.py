"""Is every expression that would stop the service refused, wherever a client may send one?

Each answer tells what is wrong and at which element, and none is a fault of the service.
"""

from __future__ import annotations

from typing import Any

import httpx
import pytest

from tests.factories.clinical import patient
from tests.standard.profiles.made import profile
from tests.standard.questionnaires.forms import answered, calculated, form_of, given, item

Resource = dict[str, Any]

BACKTRACKING = f"'{'a' * 1500}!'.matches('(a+)+$')"
TEN = "(0|1|2|3|4|5|6|7|8|9)"
COSTLY = [
    "'x'" + ".select($this & $this)" * 40,
    TEN + f".select({TEN})" * 8,
    "(1)" + ".select($this.combine($this))" * 40,
    "name.select(%resource.descendants())" + ".select(%resource.descendants())" * 8,
]
UNREADABLE = [
    "'x'.matches('(')",
    "'x'.matches('*')",
    r"'x'.matches('\\1')",
    r"'x'.replaceMatches('x', '\\9') = 'y'",
    "'x'.matches({})",
    "name.where()",
    "(" * 900 + "1" + ")" * 900,
    "1" + "+1" * 900,
]


def plan(expression: str) -> Resource:
    told = {"language": "text/fhirpath", "expression": expression}
    action = {"title": "t", "condition": [{"kind": "applicability", "expression": told}]}
    return {"resourceType": "PlanDefinition", "status": "active", "action": [action]}


def applied(fhir: httpx.Client, name: str, definition: Resource) -> httpx.Response:
    fhir.put(f"Patient/{name}", json=patient(name)).raise_for_status()
    parts = [
        {"name": "planDefinition", "resource": definition},
        {"name": "subject", "valueString": f"Patient/{name}"},
    ]
    body = {"resourceType": "Parameters", "parameter": parts}
    return fhir.post("PlanDefinition/$apply", json=body)


def refused(answer: httpx.Response) -> tuple[str, str]:
    """Code and element of the one issue."""
    assert answer.status_code in (400, 422), answer.text
    (issue,) = answer.json()["issue"]
    return issue["code"], issue["expression"][0]


@pytest.mark.parametrize("expression", COSTLY)
def test_of_a_plan(fhir: httpx.Client, name: str, expression: str) -> None:
    where = "PlanDefinition.action[0].condition[0].expression"
    assert refused(applied(fhir, name, plan(expression))) == ("too-costly", where)


def test_the_expressions_of_a_plan_have_one_budget(fhir: httpx.Client, name: str) -> None:
    dear = plan(TEN + f".select({TEN})" * 3 + ".exists()")
    assert applied(fhir, name, dear).status_code == 200
    assert refused(applied(fhir, name, dear | {"action": dear["action"] * 100}))[0] == "too-costly"


def test_reading_many_expressions_is_counted(fhir: httpx.Client, name: str) -> None:
    long = plan("'" + "x" * 1500 + "'.exists()")
    long["action"][0]["condition"] *= 1000
    assert refused(applied(fhir, name, long))[0] == "too-costly"


@pytest.mark.parametrize("expression", UNREADABLE)
def test_what_cannot_be_read_of_a_plan(fhir: httpx.Client, name: str, expression: str) -> None:
    where = "PlanDefinition.action[0].condition[0].expression"
    assert refused(applied(fhir, name, plan(expression))) == ("invalid", where)


def test_what_would_backtrack_is_evaluated(fhir: httpx.Client, name: str) -> None:
    answer = applied(fhir, name, plan(BACKTRACKING))
    assert answer.status_code == 200
    assert "activity" not in answer.json()


@pytest.mark.parametrize("expression", COSTLY[:3])
def test_of_a_form(fhir: httpx.Client, name: str, expression: str) -> None:
    form = form_of(item("n"), calculated("c", f"({expression}).count()"), url=f"urn:{name}")
    response = answered(given("n", 4), questionnaire=f"urn:{name}")
    parts = [
        {"name": "questionnaire-response", "resource": response},
        {"name": "questionnaire", "resource": form},
    ]
    body = {"resourceType": "Parameters", "parameter": parts}
    answer = fhir.post("QuestionnaireResponse/$extract", json=body)
    assert refused(answer) == ("too-costly", "Questionnaire.descendants().where(linkId = 'c')")


@pytest.mark.parametrize("expression", [*COSTLY, *UNREADABLE, BACKTRACKING])
def test_of_a_stored_profile(fhir: httpx.Client, name: str, expression: str) -> None:
    url = f"https://made.example/{name}"
    rule = {"key": "x-1", "severity": "error", "human": "h", "expression": expression}
    element = {"id": "Patient", "path": "Patient", "constraint": [rule]}
    made = profile(type="Patient", differential={"element": [element]}) | {"url": url, "id": name}
    stored = fhir.put(f"StructureDefinition/{name}", json=made)
    assert stored.status_code == 201, stored.text
    answer = fhir.post("Patient/$validate", params={"profile": url}, json=patient(name))
    if expression in COSTLY:
        assert refused(answer) == ("too-costly", "Patient")
    else:
        assert answer.status_code == 200, answer.text
        said = "x-1" if expression == BACKTRACKING else "the rule x-1 at Patient"
        assert any(said in issue["diagnostics"] for issue in answer.json()["issue"])


def test_of_a_patch(fhir: httpx.Client, name: str) -> None:
    many = patient(name) | {"name": [{"family": f"n{number}"} for number in range(2000)]}
    fhir.put(f"Patient/{name}", json=many).raise_for_status()
    path = "Patient.name" + ".where(true or true)" * 45
    parts = [
        {"name": "type", "valueCode": "delete"},
        {"name": "path", "valueString": path},
    ]
    body = {"resourceType": "Parameters", "parameter": [{"name": "operation", "part": parts}]}
    answer = fhir.patch(f"Patient/{name}", json=body)
    assert refused(answer) == ("too-costly", "Parameters.parameter[0]")
