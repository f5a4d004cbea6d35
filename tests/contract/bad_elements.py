"""Resources whose elements are not where, what or as many as R4 has them.

Sources: the definitions of the types (http://hl7.org/fhir/R4/resourcelist.html), Data Types
(#primitives) and JSON Representation of Resources.
"""

from __future__ import annotations

from typing import Any

from tests.contract.asked import Bad, posted, sent, without
from tests.factories.clinical import care_plan, encounter, observation, patient

_PATIENT, _OBSERVATION, _PLAN = patient(), observation(), care_plan()


def _of_patient(row: str, code: str, where: str, /, **elements: Any) -> Bad:
    return posted(row, _PATIENT | elements, code, where)


def _of_observation(row: str, code: str, where: str, /, **elements: Any) -> Bad:
    return posted(row, _OBSERVATION | elements, code, where)


def _quantity(value: Any) -> dict[str, Any]:
    return {"valueQuantity": {"value": value}}


_BINARY = {"resourceType": "Binary", "contentType": "text/plain"}
_APPOINTMENT = {
    "resourceType": "Appointment",
    "status": "booked",
    "start": "2026-03-04T09:00:00+01:00",
    "end": "2026-03-04T09:45:00+01:00",
    "participant": [{"actor": {"reference": "Patient/p1"}, "status": "accepted"}],
}

_SHAPES = [
    _of_patient("unknown element", "structure", "Patient.colour", colour="blue"),
    _of_observation("element of R5", "structure", "Observation.triggeredBy", triggeredBy=[{}]),
    _of_patient("element misspelt", "structure", "Patient.birthdate", birthdate="1961-04-02"),
    _of_patient("element of XML", "structure", "Patient.xmlns", xmlns="http://hl7.org/fhir"),
    _of_patient("comments of DSTU2", "structure", "Patient.fhir_comments", fhir_comments=["x"]),
    _of_patient(
        "unknown element, deep", "structure", "Patient.name[0].first", name=[{"first": "Runa"}]
    ),
    _of_patient("object for an array", "structure", "Patient.name", name={"family": "Sandberg"}),
    _of_patient("array for an object", "structure", "Patient.maritalStatus", maritalStatus=[{}]),
    _of_patient("array for a code", "structure", "Patient.gender", gender=["female"]),
    _of_patient("string for an object", "structure", "Patient.name[0]", name=["Runa"]),
    _of_patient(
        "object for a string", "structure", "Patient.name[0].family", name=[{"family": {}}]
    ),
    _of_patient("empty array", "structure", "Patient.name", name=[]),
    _of_patient("empty object", "structure", "Patient.name[0]", name=[{}]),
    _of_patient("null", "structure", "Patient.gender", gender=None),
    _of_patient("null in an array", "structure", "Patient.name[0]", name=[None]),
    _of_patient(
        "null beside nothing", "structure", "Patient.name[0].given[0]", name=[{"given": [None]}]
    ),
    _of_patient("empty string", "structure", "Patient.name[0].family", name=[{"family": ""}]),
    _of_patient("empty primitive", "structure", "Patient.birthDate", _birthDate={}),
    _of_patient("sibling of no primitive", "structure", "Patient.name", _name=[{"id": "x"}]),
    _of_patient(
        "sibling an array", "structure", "Patient.birthDate", _birthDate=[{"extension": []}]
    ),
    _of_observation("two values", "structure", "Observation.value", valueString="high"),
    posted(
        "value of a wrong type",
        without(_OBSERVATION, "valueQuantity") | {"valueMoney": {"value": 1}},
        "structure",
        "Observation.valueMoney",
    ),
    posted(
        "value without a type",
        without(_OBSERVATION, "valueQuantity") | {"value": 1},
        "structure",
        "Observation.value",
    ),
    posted("no status", without(_OBSERVATION, "status"), "required", "Observation.status"),
    posted("no code", without(_OBSERVATION, "code"), "required", "Observation.code"),
    posted("no subject", without(_PLAN, "subject"), "required", "CarePlan.subject"),
    posted("no class", without(encounter(), "class"), "required", "Encounter.class"),
    posted(
        "no participant",
        without(_APPOINTMENT, "participant"),
        "required",
        "Appointment.participant",
    ),
    posted("no content type", without(_BINARY, "contentType"), "required", "Binary.contentType"),
    _of_observation(
        "component without code",
        "required",
        "Observation.component[0].code",
        component=[{"valueString": "x"}],
    ),
]

_VALUES = [
    _of_patient("string for a boolean", "value", "Patient.active", active="true"),
    _of_patient("number for a boolean", "value", "Patient.active", active=1),
    _of_patient("number for a string", "value", "Patient.name[0].family", name=[{"family": 7}]),
    _of_patient("string for a number", "value", "Patient.multipleBirth", multipleBirthInteger="1"),
    _of_patient(
        "fraction for a whole number",
        "value",
        "Patient.multipleBirth",
        multipleBirthInteger=1.5,
    ),
    _of_patient("more than 32 bit", "value", "Patient.multipleBirth", multipleBirthInteger=2**31),
    _of_patient("more than 64 bit", "value", "Patient.multipleBirth", multipleBirthInteger=2**64),
    posted(
        "zero for a positive number",
        _APPOINTMENT | {"minutesDuration": 0},
        "value",
        "Appointment.minutesDuration",
    ),
    posted(
        "minus for an unsigned number",
        _APPOINTMENT | {"priority": -1},
        "value",
        "Appointment.priority",
    ),
    _of_observation("decimal in quotes", "value", "Observation.value.value", **_quantity("21.5")),
    _of_observation("decimal true", "value", "Observation.value.value", **_quantity(True)),
    _of_patient("month 13", "value", "Patient.birthDate", birthDate="1961-13-01"),
    _of_patient("30 February", "value", "Patient.birthDate", birthDate="1961-02-30"),
    _of_patient("29 February 1900", "value", "Patient.birthDate", birthDate="1900-02-29"),
    _of_patient("date without zeros", "value", "Patient.birthDate", birthDate="1961-4-2"),
    _of_patient("two digits for a year", "value", "Patient.birthDate", birthDate="61-04-02"),
    _of_patient("year 0000", "value", "Patient.birthDate", birthDate="0000"),
    _of_patient("date in local form", "value", "Patient.birthDate", birthDate="04/02/1961"),
    _of_patient("date with a space", "value", "Patient.birthDate", birthDate="1961-04-02 "),
    _of_patient("time in a date", "value", "Patient.birthDate", birthDate="1961-04-02T09:00:00Z"),
    _of_patient(
        "time without zone", "value", "Patient.deceased", deceasedDateTime="2026-03-04T09:30:00"
    ),
    _of_patient(
        "time without seconds", "value", "Patient.deceased", deceasedDateTime="2026-03-04T09:30Z"
    ),
    _of_patient("hour 24", "value", "Patient.deceased", deceasedDateTime="2026-03-04T24:00:00Z"),
    _of_patient(
        "offset +14:30", "value", "Patient.deceased", deceasedDateTime="2026-03-04T09:30:00+14:30"
    ),
    _of_patient(
        "space for T", "value", "Patient.deceased", deceasedDateTime="2026-03-04 09:30:00Z"
    ),
    _of_observation("instant of a day", "value", "Observation.issued", issued="2026-03-04"),
    posted(
        "time of the wrong form",
        without(_OBSERVATION, "valueQuantity") | {"valueTime": "9:30"},
        "value",
        "Observation.value",
    ),
    posted("no base64", _BINARY | {"data": "what?"}, "value", "Binary.data"),
    posted("base64 cut off", _BINARY | {"data": "abc"}, "value", "Binary.data"),
    posted("base64 of the URL alphabet", _BINARY | {"data": "-_-_"}, "value", "Binary.data"),
    _of_patient("control character", "value", "Patient.name[0].text", name=[{"text": "a\x01"}]),
    _of_patient("NUL", "value", "Patient.name[0].text", name=[{"text": "a\x00b"}]),
    _of_patient(
        "more than 1 MB of text", "value", "Patient.name[0].text", name=[{"text": "a" * 1048577}]
    ),
    _of_patient("URI with a space", "value", "Patient.implicitRules", implicitRules="http://a b"),
    _of_patient(
        "OID without urn",
        "value",
        "Patient.identifier[0].system",
        identifier=[{"system": "oid:1.2"}],
    ),
    _of_observation("code with two spaces", "value", "Observation.status", status="final  x"),
    _of_observation("code with a space before", "value", "Observation.status", status=" final"),
]

_IDS = [
    sent(
        "id of 65 characters",
        "PUT",
        f"Patient/{'a' * 65}",
        patient("a" * 65),
        400,
        "value",
        "Patient.id",
    ),
    sent("id with an underscore", "PUT", "Patient/a_b", patient("a_b"), 400, "value", "Patient.id"),
    sent("id with a slash", "PUT", "Patient/a%2Fb", patient("a/b"), 400, "value", "Patient.id"),
    sent("id with a space", "PUT", "Patient/a%20b", patient("a b"), 400, "value", "Patient.id"),
    sent("id not of ASCII", "PUT", "Patient/%C3%A9", patient("é"), 400, "value", "Patient.id"),
    sent(
        "id with another digit", "PUT", "Patient/%D9%A3", patient("٣"), 400, "value", "Patient.id"
    ),
    sent("id a number", "PUT", "Patient/1", {**patient(), "id": 1}, 400, "value", "Patient.id"),
    sent("id null", "PUT", "Patient/a", {**patient(), "id": None}, 400, "required", "Patient.id"),
    sent("id of another", "PUT", "Patient/a", patient("b"), 400, "value", "Patient.id"),
    sent("id in another case", "PUT", "Patient/a", patient("A"), 400, "value", "Patient.id"),
    sent("no id in an update", "PUT", "Patient/a", patient(), 400, "required", "Patient.id"),
    sent("type of another", "PUT", "Group/a", patient("a"), 400, "value", "resourceType"),
    posted("empty id in a create", _PATIENT | {"id": ""}, "structure", "Patient.id"),
]

ROWS = [*_SHAPES, *_VALUES, *_IDS]
