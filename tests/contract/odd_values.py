"""Valid but odd: elements and values that R4 allows and that few expect.

Sources: http://hl7.org/fhir/R4/datatypes.html#primitives, http://hl7.org/fhir/R4/json.html,
http://hl7.org/fhir/R4/references.html, http://hl7.org/fhir/R4/extensibility.html,
http://hl7.org/fhir/R4/narrative.html, RFC 8259.
"""

from __future__ import annotations

from typing import Any

from tests.factories.clinical import care_plan, observation, patient
from tests.factories.minimal import minimal

Resource = dict[str, Any]

PICTURE = (
    "data:image/png;base64,iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAYAAAAfFcSJAAAADUlEQVR42mNk+M9QDwADhgGA"
    "WjR9awAAAABJRU5ErkJggg=="
)
_URL = "https://clinic.example/x"
_ABSENT = {
    "url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason",
    "valueCode": "unknown",
}


def _named(text: str) -> Resource:
    return patient(name=[{"text": text}])


def _seen(**value: Any) -> Resource:
    seen = observation() | value
    seen.pop("valueQuantity")
    return seen


def _about(reference: dict[str, Any]) -> Resource:
    return observation() | {"subject": reference}


def _told(inner: str, attributes: str = "") -> Resource:
    div = f'<div xmlns="http://www.w3.org/1999/xhtml"{attributes}>{inner}</div>'
    return patient(text={"status": "additional", "div": div})


TEXTS = {
    "right to left": "שלום عليكم \u202bمرحبا\u202c",
    "emoji": "👩🏽‍⚕️👨‍👩‍👧‍👦🏴󠁧󠁢󠁥󠁮󠁧󠁿",
    "combining marks": "Z̸̢̛̖̦a̷̢͠l̴̥͗g̶͎̈ọ̷̀ é e\u0301",
    "not normalised": "A\u030a \u212b Å ﬁ ½",
    "every plane": "".join(chr(plane << 16 | 0x1041) for plane in (0, 1, 2, 3, 14, 15, 16)),
    "private use and no characters": "\ue000\uf8ff\ufdd0\ufffe\uffff\U0010ffff",
    "invisible": "a\u200b\u200d\ufeff\u2060\u00ad\u180eb",
    "separators": "a\u2028b\u2029c\u0085d\x7fe\u00a0f",
    "line breaks": "a\r\nb\nc\rd\te",
    "a space": " ",
    "spaces around": "  a  ",
    "escapes": '\\ " / \\u0041 \\n',
    "markup": "<script>alert('x')</script> &amp; <!--",
    "SQL": "'; DROP TABLE resource; --",
    "like": "100% _ [a-z] * ?",
    "format": "%s {0} ${x} #{y} {{z}}",
    "search": "a,b|c$d\\e",
    "JSON": '{"resourceType":"Patient"}',
    "reference": '"reference":"Patient/1"',
    "null": "null",
    "long": "x" * 1_048_576,
    "long and wide": "😀" * 262_144,
}
"""What a name may be."""

DECIMALS = (
    *("0", "-0", "0.0", "-0.0", "1.00", "1.10", "100", "1e2", "1E2", "1.0E+2", "1e-2", "1.50e1"),
    *("0.000000000000000001", "123456789012345678901234567890", "9007199254740993", "0.1", "1e400"),
    *("-1E400", "1e-400", "18446744073709551616", "-9223372036854775809", "3.14159265358979323846"),
    *("0." + "0123456789" * 10, "9" * 100 + "." + "9" * 100, "0.30000000000000004", "1e308"),
)
"""Numbers that must come back as they were written."""

DATES = ("1961", "1961-04", "0001", "0001-01-01", "9999-12-31", "2024-02-29", "1582-10-10")
TIMES = (
    *("2026", "2026-03", "2026-03-04", "2026-03-04T09:30:00Z", "2026-03-04T09:30:00+14:00"),
    *("2026-03-04T09:30:00-12:00", "2026-03-04T00:00:00-00:00", "2016-12-31T23:59:60Z"),
    *("2026-03-04T09:30:00.1Z", "2026-03-04T09:30:00.123456789012Z", "0001-01-01T00:00:00+14:00"),
    *("9999-12-31T23:59:59.999999-14:00", "2026-03-04T09:30:00.000+05:45"),
)

IDS = ("a" * 64, "A.b-C.9", "-", "0", "...", "a..b", "-.-", "history", "metadata")

RESOURCES: dict[str, Resource] = {
    "nothing but a type": {"resourceType": "Patient"},
    "only an extension": {
        "resourceType": "Patient",
        "extension": [{"url": _URL, "valueBoolean": True}],
    },
    "type at the end": {"active": True, "resourceType": "Patient"},
    "value unknown": {"resourceType": "Patient", "_birthDate": {"extension": [_ABSENT]}},
    "required code unknown": patient() | {"_gender": {"id": "g", "extension": [_ABSENT]}},
    "nulls between": patient(
        name=[
            {
                "given": ["Runa", None, "Eir"],
                "_given": [None, {"extension": [_ABSENT]}, {"id": "third"}],
            }
        ]
    ),
    "more extensions than values": patient(
        name=[{"given": ["Runa"], "_given": [None, {"extension": [_ABSENT]}]}]
    ),
    "extensions without values": patient(name=[{"_given": [{"extension": [_ABSENT]}]}]),
    "extension of extensions": patient(
        extension=[
            {
                "url": _URL,
                "extension": [
                    {"url": "a", "extension": [{"url": "b", "valueInteger": -(2**31)}]},
                    {"url": "c", "valueTiming": {"repeat": {"boundsDuration": {"value": 1.0}}}},
                ],
            }
        ]
    ),
    "extension of a value in an extension": patient(
        extension=[{"url": _URL, "_valueDate": {"extension": [_ABSENT]}}]
    ),
    "modifier extension": care_plan(
        modifierExtension=[{"url": _URL, "valueCode": "x"}],
        activity=[
            {
                "modifierExtension": [{"url": _URL, "valueCode": "y"}],
                "detail": {"status": "scheduled"},
            }
        ],
    ),
    "ids of elements": patient(name=[{"id": "a b/c", "text": "x", "_text": {"id": "ü"}}]),
    "contained and referred to": observation(
        contained=[
            {"resourceType": "Patient", "id": "p", "managingOrganization": {"reference": "#o"}},
            {"resourceType": "Organization", "id": "o", "name": "x"},
        ],
        subject={"reference": "#p"},
    ),
    "contained that refers back": care_plan(
        contained=[
            minimal("Provenance", "v") | {"target": [{"reference": "#"}]},
        ],
    ),
    "contained of a type not held": observation(
        contained=[{"resourceType": "Specimen", "id": "s", "status": "available"}],
        specimen={"reference": "#s"},
    ),
    "many labels": patient(
        meta={
            "source": "urn:oid:1.2.3#é",
            "profile": ["http://hl7.org/fhir/StructureDefinition/Patient"],
            "security": [{"system": _URL, "code": "R", "display": "x"}],
            "tag": [{"code": "a"}, {"system": _URL}, {"display": "only shown"}],
            "extension": [{"url": _URL, "valueString": "x"}],
        }
    ),
    "language": patient(language="sr-Latn-RS"),
    "private language": patient(language="x-clinic"),
    "absent on purpose": _seen(dataAbsentReason={"text": "fell asleep"}),
    "quantity without value": _seen(valueQuantity={"unit": "kPa"})
    | {"valueQuantity": {"unit": "x"}},
    "quantity below": observation() | {"valueQuantity": {"value": 5, "comparator": "<"}},
    "value true": _seen(valueBoolean=False),
    "integer low": _seen(valueInteger=-(2**31)),
    "integer high": _seen(valueInteger=2**31 - 1),
    "time": _seen(valueTime="23:59:59.999"),
    "ratio": _seen(valueRatio={"numerator": {"value": 1}, "denominator": {"value": 0}}),
    "range open": _seen(valueRange={"low": {"value": 1}}),
    "sampled": _seen(
        valueSampledData={
            "origin": {"value": 0},
            "period": 10,
            "dimensions": 1,
            "data": "E U L 1 2.50 -3",
        }
    ),
    "code without system": _seen(valueCodeableConcept={"coding": [{"code": "x y"}]}),
    "code chosen by the user": _seen(
        valueCodeableConcept={"coding": [{"userSelected": True, "display": "x"}], "text": " "}
    ),
    "period open": _seen(valuePeriod={"start": "2026"}),
    "period partial": _seen(valuePeriod={"start": "2026-03-04T09:30:00Z", "end": "2026-03-04"}),
    "reference logical": _about({"identifier": {"system": "urn:oid:1.2.3", "value": "1"}}),
    "reference to display": _about({"display": "somebody"}),
    "reference absolute": _about({"reference": "https://other.example/fhir/Patient/1"}),
    "reference to a version": _about({"reference": "Patient/1/_history/2"}),
    "reference by OID": _about({"reference": "urn:oid:1.2.3", "type": "Patient"}),
    "reference by UUID": _about({"reference": "urn:uuid:c757873d-ec9a-4326-a141-556f43239520"}),
    "reference to what is not there": _about({"reference": "Patient/never-there"}),
    "reference to itself": patient(
        "itself", link=[{"other": {"reference": "Patient/itself"}, "type": "seealso"}]
    ),
    "narrative with a table": _told(
        '<table border="1"><caption>x</caption><thead><tr><th scope="col" colspan="2">a</th></tr>'
        '</thead><tbody><tr><td style="color: red; background: url()">b</td><td/></tr></tbody>'
        "</table>"
    ),
    "narrative with pictures": _told(f'<img src="{PICTURE}" alt="x"/><img src="#p" alt="y"/>'),
    "narrative with links": _told(
        '<a href="https://x.example/?a=1&amp;b=2">a</a> <a href="mailto:a@x.example">b</a>'
        ' <a href="#there" name="here">c</a> <a href="Patient/1">d</a>'
    ),
    "narrative with entities": _told("&lt;b&gt; &amp; &#160; &#x1F600; &quot; &apos;<br/>"),
    "narrative with a comment": _told("x<!-- y -->"),
    "narrative in a language": _told('<p lang="he" dir="rtl">ש</p>', ' xml:lang="he"'),
    "narrative of a picture": _told(f'<img src="{PICTURE}" alt=""/>'),
    "binary of nothing": {"resourceType": "Binary", "contentType": "application/x-empty"},
    "binary in lines": minimal("Binary") | {"data": "AAAA\r\nAAA=\n"},
    "binary with a context": minimal("Binary")
    | {
        "contentType": 'text/plain; charset="utf-8"',
        "data": "AA==",
        "securityContext": {"reference": "Patient/1"},
    },
    "group of a rule": minimal("Group")
    | {"characteristic": [{"code": {"text": "x"}, "valueBoolean": False, "exclude": True}]},
    "list that is empty": minimal("List") | {"emptyReason": {"text": "none"}},
    "questions in questions": minimal("Questionnaire")
    | {"item": [{"linkId": "0", "type": "group"}]},
    "two thousand names": patient(name=[{"text": str(number)} for number in range(2000)]),
}


def _nested(depth: int) -> list[Resource]:
    item: Resource = {"linkId": "last", "type": "display", "text": "x"}
    for number in range(depth):
        item = {"linkId": str(number), "type": "group", "item": [item]}
    return [item]


RESOURCES["questions in questions"]["item"] = _nested(40)
for _name, _text in TEXTS.items():
    RESOURCES[f"text: {_name}"] = _named(_text)
