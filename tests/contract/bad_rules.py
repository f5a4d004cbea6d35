"""Resources that break what R4 says beyond their structure: codes, references, rules.

Sources: required bindings, targets and constraints in the definitions of the types
(http://hl7.org/fhir/R4/resourcelist.html); References; Extensibility; the rules by their keys
(`obs-6`, `ext-1`, …).
"""

from __future__ import annotations

from typing import Any

from tests.contract.asked import Bad, Resource, posted, without
from tests.factories.clinical import care_plan, encounter, observation, patient

_PATIENT, _OBSERVATION, _PLAN = patient(), observation(), care_plan()
_XHTML = 'xmlns="http://www.w3.org/1999/xhtml"'
_LOINC = "http://loinc.org"


def _coded(row: str, resource: Resource, where: str) -> Bad:
    return posted(row, resource, "code-invalid", where, 422)


def _refers(row: str, where: str, reference: dict[str, Any], code: str = "value") -> Bad:
    return posted(row, _OBSERVATION | {"subject": reference}, code, where)


def _breaks(row: str, where: str, resource: Resource) -> Bad:
    return posted(row, resource, "invariant", where)


_CODES = [
    _coded("status not of R4", _OBSERVATION | {"status": "bogus"}, "Observation.status"),
    _coded("status in capitals", _OBSERVATION | {"status": "Final"}, "Observation.status"),
    _coded("gender F", _PATIENT | {"gender": "F"}, "Patient.gender"),
    _coded(
        "use of a name", _PATIENT | {"name": [{"use": "pen", "text": "x"}]}, "Patient.name[0].use"
    ),
    _coded(
        "kind of contact",
        _PATIENT | {"telecom": [{"system": "fax2", "value": "1"}]},
        "Patient.telecom[0].system",
    ),
    _coded(
        "status of narrative",
        _PATIENT | {"text": {"status": "typed", "div": f"<div {_XHTML}>x</div>"}},
        "Patient.text.status",
    ),
    _coded("intent of a plan", _PLAN | {"intent": "wish"}, "CarePlan.intent"),
    _coded("status of a session", encounter(status="done"), "Encounter.status"),
    _coded(
        "comparator",
        _OBSERVATION | {"valueQuantity": {"value": 1, "comparator": "=="}},
        "Observation.value.comparator",
    ),
    _coded("language tag", _PATIENT | {"language": "en_US"}, "Patient.language"),
    _coded("media type", {"resourceType": "Binary", "contentType": "text"}, "Binary.contentType"),
    _coded(
        "kind of link",
        _PATIENT | {"link": [{"other": {"reference": "Patient/x"}, "type": "twin"}]},
        "Patient.link[0].type",
    ),
    _coded(
        "content of a code system",
        {
            "resourceType": "CodeSystem",
            "status": "active",
            "content": "all",
        },
        "CodeSystem.content",
    ),
]

_REFERENCES = [
    _refers(
        "reference to a type not allowed", "Observation.subject", {"reference": "Organization/1"}
    ),
    _refers(
        "absolute reference to a type not allowed",
        "Observation.subject",
        {"reference": "https://clinic.example/fhir/Organization/1"},
    ),
    _refers(
        "logical reference to a type not allowed",
        "Observation.subject",
        {"type": "Organization", "identifier": {"value": "1"}},
    ),
    _refers(
        "reference to a type that is none",
        "Observation.subject.reference",
        {"reference": "Person1/1"},
    ),
    _refers("reference without id", "Observation.subject.reference", {"reference": "Patient/"}),
    _refers("reference of an id alone", "Observation.subject.reference", {"reference": "p1"}),
    _refers(
        "reference with a space", "Observation.subject.reference", {"reference": "Patient/a b"}
    ),
    _refers(
        "reference to a long id",
        "Observation.subject.reference",
        {"reference": f"Patient/{'a' * 65}"},
    ),
    _refers(
        "type says another", "Observation.subject", {"reference": "Patient/1", "type": "Group"}
    ),
    _refers("type that is none", "Observation.subject.type", {"type": "Person1", "display": "x"}),
    _refers(
        "search outside a transaction",
        "Observation.subject.reference",
        {"reference": "Patient?identifier=x"},
    ),
    _refers(
        "reference to nothing contained",
        "Observation.subject.reference",
        {"reference": "#p"},
        "not-found",
    ),
    _refers("reference a number", "Observation.subject.reference", {"reference": 1}),
    _refers(
        "reference a resource",
        "Observation.subject.resourceType",
        {"resourceType": "Patient", "id": "1"},
        "structure",
    ),
    _refers("empty reference", "Observation.subject", {}, "structure"),
]

_EXTENSION = "https://hyoid.example/fhir/StructureDefinition/x"
_GOAL = {
    "resourceType": "Goal",
    "lifecycleStatus": "active",
    "description": {"text": "x"},
    "subject": {"reference": "Patient/p1"},
}
_FORM = {"resourceType": "Questionnaire", "status": "active"}

_RULES = [
    _breaks("obs-6", "Observation", _OBSERVATION | {"dataAbsentReason": {"text": "not done"}}),
    _breaks(
        "obs-7",
        "Observation",
        _OBSERVATION | {"component": [{"code": _OBSERVATION["code"], "valueString": "x"}]},
    ),
    _breaks(
        "obs-3",
        "Observation.referenceRange[0]",
        _OBSERVATION | {"referenceRange": [{"type": {"text": "normal"}}]},
    ),
    _breaks(
        "per-1", "Encounter.period", encounter(period={"start": "2026-03-05", "end": "2026-03-04"})
    ),
    _breaks("pat-1", "Patient.contact[0]", _PATIENT | {"contact": [{"gender": "male"}]}),
    _breaks("cpt-2", "Patient.telecom[0]", _PATIENT | {"telecom": [{"value": "1"}]}),
    _breaks(
        "qty-3", "Observation.value", _OBSERVATION | {"valueQuantity": {"value": 1, "code": "kPa"}}
    ),
    _breaks(
        "rng-2",
        "Observation.value",
        without(_OBSERVATION, "valueQuantity")
        | {"valueRange": {"low": {"value": 2}, "high": {"value": 1}}},
    ),
    _breaks(
        "rat-1",
        "Observation.value",
        without(_OBSERVATION, "valueQuantity") | {"valueRatio": {"numerator": {"value": 1}}},
    ),
    _breaks(
        "cpl-3",
        "CarePlan.activity[0]",
        _PLAN
        | {
            "activity": [
                {"reference": {"reference": "ServiceRequest/1"}, "detail": {"status": "scheduled"}}
            ]
        },
    ),
    _breaks("gol-1", "Goal.target[0]", _GOAL | {"target": [{"detailString": "x"}]}),
    _breaks(
        "que-2",
        "Questionnaire",
        _FORM | {"item": [{"linkId": "1", "type": "string"}, {"linkId": "1", "type": "string"}]},
    ),
    _breaks("que-1", "Questionnaire.item[0]", _FORM | {"item": [{"linkId": "1", "type": "group"}]}),
    _breaks(
        "con-5",
        "Condition",
        {
            "resourceType": "Condition",
            "subject": {"reference": "Patient/p1"},
            "clinicalStatus": {
                "coding": [
                    {
                        "system": "http://terminology.hl7.org/CodeSystem/condition-clinical",
                        "code": "active",
                    }
                ]
            },
            "verificationStatus": {
                "coding": [
                    {
                        "system": "http://terminology.hl7.org/CodeSystem/condition-ver-status",
                        "code": "entered-in-error",
                    }
                ]
            },
        },
    ),
    _breaks(
        "tim-1",
        "ServiceRequest.occurrence.repeat",
        {
            "resourceType": "ServiceRequest",
            "status": "active",
            "intent": "order",
            "subject": {"reference": "Patient/p1"},
            "occurrenceTiming": {"repeat": {"duration": 5}},
        },
    ),
    _breaks("org-1", "Organization", {"resourceType": "Organization", "active": True}),
    _breaks(
        "csd-1",
        "CodeSystem",
        {
            "resourceType": "CodeSystem",
            "status": "active",
            "content": "complete",
            "concept": [{"code": "a"}, {"code": "a"}],
        },
    ),
    _breaks(
        "vsd-1",
        "ValueSet.compose.include[0]",
        {
            "resourceType": "ValueSet",
            "status": "active",
            "compose": {"include": [{"version": "1"}]},
        },
    ),
    _breaks(
        "ext-1 with both",
        "Patient.extension[0]",
        _PATIENT
        | {
            "extension": [
                {
                    "url": _EXTENSION,
                    "valueString": "x",
                    "extension": [{"url": "y", "valueString": "z"}],
                }
            ]
        },
    ),
    _breaks(
        "ext-1 with neither",
        "Patient.extension[0]",
        _PATIENT | {"extension": [{"url": _EXTENSION}]},
    ),
    posted(
        "extension without url",
        _PATIENT | {"extension": [{"valueString": "x"}]},
        "required",
        "Patient.extension[0].url",
    ),
    posted(
        "extension of a type that is none",
        _PATIENT | {"extension": [{"url": _EXTENSION, "valueText": "x"}]},
        "structure",
        "Patient.extension[0].valueText",
    ),
    posted(
        "extension with two values",
        _PATIENT | {"extension": [{"url": _EXTENSION, "valueString": "x", "valueCode": "y"}]},
        "structure",
        "Patient.extension[0].value",
    ),
]

ROWS = [*_CODES, *_REFERENCES, *_RULES]
