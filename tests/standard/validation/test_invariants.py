"""Outside source: fhirpathpy, an independent FHIRPath engine, evaluates every compiled rule on
random elements; R4's own texts of the rules for what it cannot evaluate."""

from __future__ import annotations

import copy
import re
from random import Random
from typing import Any

import fhirpathpy
import pytest
from fhirpathpy.engine.nodes import ResourceNode
from fhirpathpy.models import models

from service.standard.definitions import Invariant, definitions
from service.standard.validation import validate
from service.standard.validation.fhirpath.compiler import Scope, compile_test
from service.standard.validation.invariants import ELSEWHERE, EMPTY_HOLDS, NATIVE, rules_at
from tests.standard.validation.made import made, value_at
from tests.standard.validation.resources import Resource, keys, observation, patient, resource

ROUNDS = 40
NOT_THEIRS = {
    "que-7": "`is Boolean`: fhirpathpy does not take a FHIR boolean for one",
    "rng-2": "fhirpathpy does not compare quantities",
    "tim-9": "fhirpathpy wants one value on the right of `in`, where R4 has a union",
}


def _rules() -> dict[str, tuple[str, Invariant]]:
    """Every compiled rule once, with the first path it is stated at."""
    found: dict[str, tuple[str, Invariant]] = {}
    for path in definitions().invariant_paths():
        for rule in definitions().invariants(path):
            if rule.key not in ELSEWHERE and rule.key not in NATIVE:
                found.setdefault(f"{rule.key}: {rule.expression}", (path, rule))
    return found


RULES = _rules()


def _has_value(items: list[Any]) -> bool:
    """hasValue() is missing in fhirpathpy."""
    found = [item.data if isinstance(item, ResourceNode) else item for item in items]
    return len(found) == 1 and not isinstance(found[0], dict)


OPTIONS = {
    "userInvocationTable": {"hasValue": {"fn": _has_value, "arity": {0: []}}},
    "traceFn": lambda *traced: None,
}


def _truth(items: list[Any]) -> bool | None:
    if len(items) != 1:
        return None
    return items[0] if isinstance(items[0], bool) else True


@pytest.mark.parametrize("name", [name for name in RULES if name.split(":")[0] not in NOT_THEIRS])
def test_compiled_rules_agree_with_another_engine(name: str) -> None:
    path, rule = RULES[name]
    root = path.partition(".")[0]
    ours = compile_test(rule.expression, path)
    theirs = fhirpathpy.compile(rule.expression, models["r4"], OPTIONS)
    random = Random(name)
    words = [word for word in re.findall("'([^']*)'", rule.expression) if word]
    words += ["a", "b", "1", "*", "Name", "Patient", "Patient.name"]
    for _ in range(ROUNDS):
        value = value_at(path, random, words)
        whole = value if path == root else made(root, random, words)
        if "implicitRules" in definitions().elements(root):
            whole["resourceType"] = root
        node = copy.deepcopy(value)
        node = node if "resourceType" in value else ResourceNode.create_node(node, path)
        told = _truth(theirs(node, {"resource": copy.deepcopy(whole)}))
        assert ours(value, Scope(whole, whole, {})) == told, value


def test_every_rule_is_compiled_or_named_with_a_reason() -> None:
    keys_of_rules = {
        rule.key
        for path in definitions().invariant_paths()
        for rule in definitions().invariants(path)
    }
    compiled = {rule.key for path in definitions().invariant_paths() for rule in rules_at(path)}
    assert keys_of_rules - compiled == set(ELSEWHERE)
    assert set(NATIVE) | set(EMPTY_HOLDS) <= compiled


CODE = {"coding": [{"system": "http://loinc.org", "code": "1-8"}]}
UCUM = "http://unitsofmeasure.org"


def timed(**repeat: Any) -> Resource:
    return observation(effectiveTiming={"repeat": repeat})


KEPT: list[Resource] = [
    observation(effectivePeriod={"start": "2026-01", "end": "2026-01-05"}),
    observation(effectivePeriod={"start": "2026-01-05T23:00:00-05:00", "end": "2026-01-05"}),
    observation(effectivePeriod={"start": "2026-01-05"}),
    observation(valueRange={"low": {"value": 2, "unit": "m"}, "high": {"value": 1, "unit": "km"}}),
    observation(valueRange={"low": {"value": 1}, "high": {"value": 1}}),
    observation(valueRatio={"numerator": {"value": 1}, "denominator": {"value": 2}}),
    observation(code=CODE, component=[{"code": CODE, "valueString": "a"}]),
    observation(code=CODE, component=[{"code": {"text": "b"}}], valueString="a"),
    observation(referenceRange=[{"low": {"value": 1}}]),
    timed(duration=1, durationUnit="s", period=1, periodUnit="d", frequency=3),
    timed(when=["AC", "C"], offset=3),
    patient(telecom=[{"system": "phone", "value": "1"}]),
    resource("Organization", name="a", address=[{"use": "work", "city": "b"}]),
]
BROKEN: list[tuple[Resource, str]] = [
    (observation(effectivePeriod={"start": "2026-02", "end": "2026-01-05"}), "per-1"),
    (
        observation(
            effectivePeriod={"start": "2026-01-05T10:00:00Z", "end": "2026-01-05T10:30:00+01:00"}
        ),
        "per-1",
    ),
    (observation(valueRange={"low": {"value": 2}, "high": {"value": 1}}), "rng-2"),
    (observation(valueRatio={"numerator": {"value": 1}}), "rat-1"),
    (observation(valueQuantity={"value": 1, "code": "kg"}), "qty-3"),
    (observation(dataAbsentReason={"text": "a"}, valueString="b"), "obs-6"),
    (observation(code=CODE, component=[{"code": CODE}], valueString="a"), "obs-7"),
    (observation(referenceRange=[{"type": {"text": "a"}}]), "obs-3"),
    (observation(referenceRange=[{"low": {"value": 1, "comparator": "<"}}]), "sqty-1"),
    (timed(duration=1), "tim-1"),
    (timed(period=1), "tim-2"),
    (timed(duration=-1, durationUnit="s"), "tim-4"),
    (timed(period=-1, periodUnit="s"), "tim-5"),
    (timed(periodMax=1), "tim-6"),
    (timed(countMax=1), "tim-8"),
    (timed(when=["C"], offset=3), "tim-9"),
    (timed(when=["AC"], timeOfDay=["10:00:00"]), "tim-10"),
    (patient(telecom=[{"value": "1"}]), "cpt-2"),
    (patient(contact=[{"gender": "male"}]), "pat-1"),
    (patient(photo=[{"data": "AAAA"}]), "att-1"),
    (patient(extension=[{"url": "http://example.org/x"}]), "ext-1"),
    (resource("Organization", active=True), "org-1"),
    (resource("Organization", name="a", address=[{"use": "home", "city": "b"}]), "org-2"),
    (resource("ValueSet", status="active", expansion={"timestamp": "2026", "contains": [
        {"display": "a"}]}), "vsd-9"),
]  # fmt: skip


@pytest.mark.parametrize("checked", KEPT, ids=range(len(KEPT)))
def test_what_a_rule_allows_is_accepted(checked: Resource) -> None:
    assert keys(checked) == set()


@pytest.mark.parametrize(("checked", "key"), BROKEN, ids=[key for _, key in BROKEN])
def test_a_broken_rule_is_named(checked: Resource, key: str) -> None:
    assert keys(checked) == {key}


def test_rules_of_severity_warning_are_warnings() -> None:
    found = validate(resource("ValueSet", status="active", name="no name"))
    assert [(issue.severity, issue.code) for issue in found] == [("warning", "invariant")]
