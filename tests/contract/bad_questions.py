"""Histories, operations and forms of answer that cannot be read or are not offered.

Sources: http://hl7.org/fhir/R4/http.html (#history, #mime-type), the OperationDefinitions
Resource-validate, Patient-everything, Observation-lastn.
"""

from __future__ import annotations

from tests.contract.asked import FORM, Bad, asked, sent
from tests.factories.clinical import observation, patient

_HISTORY = [
    *(
        asked(
            f"history {query}",
            "GET",
            f"{level}_history?{query}",
            400,
            "value",
            "http." + query.partition("=")[0],
        )
        for level, query in (
            ("", "_count=x"),
            ("Patient/", "_count=-1"),
            ("Patient/there/", "_count=1.5"),
            ("", "_count=9999999999999999999999"),
            ("", "_since=soon"),
            ("Patient/", "_since=2026-13"),
            ("Patient/there/", "_at=soon"),
            ("", "_page=x"),
            ("", "_page=-1"),
        )
    ),
    asked("history of what never was", "GET", "Patient/never-there/_history", 404, "not-found"),
    asked("version of what never was", "GET", "Patient/never-there/_history/1", 404, "not-found"),
    asked("version that never was", "GET", "Patient/there/_history/99", 404, "not-found"),
    asked("version no number", "GET", "Patient/there/_history/first", 404, "not-found"),
    asked("version zero", "GET", "Patient/there/_history/0", 404, "not-found"),
    asked("version with a zero before", "GET", "Patient/there/_history/01", 404, "not-found"),
    asked("version of another alphabet", "GET", "Patient/there/_history/%D9%A1", 404, "not-found"),
    asked(
        "version past all numbers", "GET", f"Patient/there/_history/{'9' * 60}", 404, "not-found"
    ),
    asked("version of a deletion", "GET", "Patient/gone/_history/2", 410, "deleted"),
    asked("what is gone", "GET", "Patient/gone", 410, "deleted"),
    asked("what never was", "GET", "Patient/never-there", 404, "not-found"),
]


def _operation(row: str, address: str, status: int, code: str, where: str = "") -> Bad:
    return asked(row, "GET", address, status, code, where)


def _checked(row: str, body: object, code: str, where: str) -> Bad:
    return sent(row, "POST", "Patient/$validate", body, 400, code, where)


def _given(*parameters: object) -> dict[str, object]:
    return {"resourceType": "Parameters", "parameter": list(parameters)}


_EVERYTHING = "Patient/there/$everything"
_RESOURCE = {"name": "resource", "resource": patient()}

_OPERATIONS = [
    _operation("no such operation", "Patient/$count", 404, "not-supported"),
    _operation("operation of another type", "Group/1/$everything", 404, "not-supported"),
    _operation("operation at another level", "$validate", 404, "not-supported"),
    _operation("everything since soon", f"{_EVERYTHING}?_since=soon", 400, "value", "http._since"),
    _operation("everything of nothing", f"{_EVERYTHING}?_type=Nothing", 400, "value", "http._type"),
    _operation("everything, none a page", f"{_EVERYTHING}?_count=0", 400, "value", "http._count"),
    _operation("everything, bad page", f"{_EVERYTHING}?_page=x", 400, "value", "http._page"),
    _operation(
        "everything, made-up page", f"{_EVERYTHING}?_page=UGF0ACA1", 400, "value", "http._page"
    ),
    _operation(
        "everything blue", f"{_EVERYTHING}?colour=blue", 400, "not-supported", "http.colour"
    ),
    _operation("everything of nobody", "Patient/never-there/$everything", 404, "not-found"),
    _operation("everything of who is gone", "Patient/gone/$everything", 410, "deleted"),
    _operation(
        "last values of nobody", "Observation/$lastn?code=x", 400, "required", "http.patient"
    ),
    _operation(
        "last values of nothing", "Observation/$lastn?patient=a", 400, "required", "http.category"
    ),
    _operation(
        "last no values", "Observation/$lastn?patient=a&code=x&max=0", 400, "value", "http.max"
    ),
    _operation("difference from x", "CarePlan/there/$diff?from=x", 400, "value", "http.from"),
    _operation("difference from 0", "CarePlan/there/$diff?from=0", 400, "value", "http.from"),
    _operation("difference from the future", "CarePlan/there/$diff?to=99", 404, "not-found"),
    _operation("difference of nothing", "CarePlan/never-there/$diff", 404, "not-found"),
    _operation("nothing to validate", "Patient/$validate", 400, "required", "resource"),
    _checked(
        "validate in a mode unknown",
        _given(_RESOURCE, {"name": "mode", "valueCode": "x"}),
        "value",
        "http.mode",
    ),
    _checked(
        "validate odd Parameters",
        {"resourceType": "Parameters", "parameter": 5},
        "structure",
        "Parameters.parameter",
    ),
    _checked(
        "validate a parameter that is none", _given("x"), "structure", "Parameters.parameter[0]"
    ),
    _checked(
        "validate a parameter without name",
        _given({"valueString": "x"}),
        "required",
        "Parameters.parameter[0].name",
    ),
    _checked(
        "validate a parameter of odd name",
        _given({"name": [], "valueString": "x"}),
        "structure",
        "Parameters.parameter[0].name",
    ),
    _checked(
        "validate a text",
        _given({"name": "resource", "valueString": "x"}),
        "invalid",
        "Parameters.parameter",
    ),
    sent(
        "everything by a resource",
        "POST",
        _EVERYTHING,
        observation(),
        400,
        "invalid",
        "resourceType",
    ),
]

_FORMS = [
    asked(
        "XML wanted",
        "GET",
        "Patient/there",
        406,
        "not-supported",
        "http.Accept",
        Accept="application/fhir+xml",
    ),
    asked(
        "HTML wanted",
        "GET",
        "Patient/there",
        406,
        "not-supported",
        "http.Accept",
        Accept="text/html",
    ),
    asked(
        "JSON not wanted",
        "GET",
        "Patient/there",
        406,
        "not-supported",
        "http.Accept",
        Accept="application/fhir+json;q=0",
    ),
    asked(
        "R5 wanted",
        "GET",
        "Patient/there",
        406,
        "not-supported",
        "http.Accept",
        Accept="application/fhir+json; fhirVersion=5.0",
    ),
    asked(
        "XML by parameter", "GET", "Patient/there?_format=xml", 406, "not-supported", "http._format"
    ),
    asked(
        "Turtle by parameter", "GET", "metadata?_format=ttl", 406, "not-supported", "http._format"
    ),
    asked("pretty x", "GET", "Patient/there?_pretty=x", 400, "value", "http._pretty"),
    sent(
        "XML sent",
        "POST",
        "Patient",
        b"<Patient/>",
        415,
        "not-supported",
        "http.Content-Type",
        Content_Type="application/fhir+xml",
    ),
    sent(
        "text sent",
        "POST",
        "Patient",
        patient(),
        415,
        "not-supported",
        "http.Content-Type",
        Content_Type="text/plain",
    ),
    sent(
        "form sent",
        "POST",
        "Patient",
        b"a=b",
        415,
        "not-supported",
        "http.Content-Type",
        Content_Type=FORM,
    ),
    sent(
        "Latin-1 sent",
        "POST",
        "Patient",
        patient(),
        415,
        "not-supported",
        "http.Content-Type",
        Content_Type="application/fhir+json; charset=iso-8859-1",
    ),
    sent(
        "compressed sent",
        "POST",
        "Patient",
        patient(),
        415,
        "not-supported",
        "http.Content-Encoding",
        Content_Encoding="gzip",
    ),
    sent(
        "Bundle as XML",
        "POST",
        "",
        b"<Bundle/>",
        415,
        "not-supported",
        "http.Content-Type",
        Content_Type="application/fhir+xml",
    ),
    sent("type not held", "POST", "Medication", {"resourceType": "Medication"}, 404, "not-found"),
    sent("Bundle as a resource", "POST", "Bundle", {"resourceType": "Bundle"}, 404, "not-found"),
    asked("address too deep", "GET", "Patient/there/_history/1/more", 404, "not-found"),
    asked("address with a NUL", "GET", "Patient/%00", 400, "structure", "http.path"),
    asked("address with a line break", "GET", "Patient/a%0Ab", 400, "structure", "http.path"),
]

ROWS = [*_HISTORY, *_OPERATIONS, *_FORMS]
