"""Conditions that cannot be read or do not hold, about what `conftest.py` has stored.

Sources: http://hl7.org/fhir/R4/http.html (#concurrency, #ccreate, #cond-update, #3.1.0.7.1),
RFC 9110 (entity tags).
"""

from __future__ import annotations

from tests.contract.asked import JSON_PATCH, Bad, asked, sent
from tests.factories.clinical import patient

TWINS = "identifier=https://clinic.example/twins|t"
"""A search that finds two."""


def _patch(row: str, search: str, status: int, code: str) -> Bad:
    address = f"Patient?{search}"
    return sent(row, "PATCH", address, [], status, code, "http.url", Content_Type=JSON_PATCH)


ROWS = [
    *(
        sent(
            f"If-Match {tag!r}",
            "PUT",
            "Patient/there",
            patient("there"),
            400,
            "structure",
            "http.If-Match",
            If_Match=tag,
        )
        for tag in ("3", "W/3", 'W/"3', '"3"x', 'w/"3"', "", ",", 'W/"1",', "*,*", '""""')
    ),
    sent(
        "If-Match of an old version",
        "PUT",
        "Patient/there",
        patient("there"),
        412,
        "conflict",
        "http.If-Match",
        If_Match='W/"7"',
    ),
    sent(
        "If-Match of a long number",
        "PUT",
        "Patient/there",
        patient("there"),
        412,
        "conflict",
        "http.If-Match",
        If_Match=f'W/"{"9" * 3000}"',
    ),
    sent(
        "If-Match of what is not there",
        "PUT",
        "Patient/never-there",
        patient("never-there"),
        412,
        "conflict",
        "http.If-Match",
        If_Match="*",
    ),
    sent(
        "If-None-Match of what is there",
        "PUT",
        "Patient/there",
        patient("there"),
        412,
        "conflict",
        "http.If-None-Match",
        If_None_Match="*",
    ),
    asked(
        "If-Match of a stale delete",
        "DELETE",
        "Patient/there",
        412,
        "conflict",
        "http.If-Match",
        If_Match='W/"7"',
    ),
    asked(
        "If-None-Match unreadable",
        "GET",
        "Patient/there",
        400,
        "structure",
        "http.If-None-Match",
        If_None_Match="3",
    ),
    *(
        sent(
            f"If-None-Exist {search!r}",
            "POST",
            "Patient",
            patient(),
            400,
            code,
            where,
            If_None_Exist=search,
        )
        for search, code, where in (
            ("", "structure", "http.If-None-Exist"),
            ("identifier", "structure", "http.If-None-Exist"),
            ("identifier=", "structure", "http.If-None-Exist"),
            ("_count=1", "structure", "http.If-None-Exist"),
            ("identifier=%FF", "structure", "http.If-None-Exist"),
            ("Group?identifier=x", "structure", "http.If-None-Exist"),
            ("identifier=%00", "value", "http.identifier"),
            ("colour=blue", "not-supported", "http.colour"),
            ("birthdate=soon", "value", "http.birthdate"),
        )
    ),
    sent(
        "If-None-Exist of two",
        "POST",
        "Patient",
        patient(),
        412,
        "multiple-matches",
        "http.If-None-Exist",
        If_None_Exist=TWINS,
    ),
    sent(
        "update of what two are",
        "PUT",
        f"Patient?{TWINS}",
        patient(),
        412,
        "multiple-matches",
        "http.url",
    ),
    sent(
        "update by search without criteria",
        "PUT",
        "Patient",
        patient(),
        400,
        "structure",
        "http.url",
    ),
    sent(
        "update by search with another id",
        "PUT",
        "Patient?identifier=the-one",
        patient("x"),
        400,
        "invalid",
        "http.url",
    ),
    sent(
        "update by search of an id taken",
        "PUT",
        "Patient?identifier=never-there",
        patient("there"),
        409,
        "conflict",
        "Patient.id",
    ),
    sent(
        "update by search with If-Match, none there",
        "PUT",
        "Patient?identifier=never-there",
        patient(),
        412,
        "conflict",
        "",
        If_Match='W/"1"',
    ),
    asked(
        "delete of what two are", "DELETE", f"Patient?{TWINS}", 412, "multiple-matches", "http.url"
    ),
    asked("delete of a type", "DELETE", "Patient", 400, "structure", "http.url"),
    asked(
        "delete by nothing understood",
        "DELETE",
        "Patient?colour=blue",
        400,
        "not-supported",
        "http.colour",
    ),
    asked("delete by a page size", "DELETE", "Patient?_count=1", 400, "structure", "http.url"),
    _patch("patch by search, none there", "identifier=never-there", 404, "not-found"),
    _patch("patch of what two are", TWINS, 412, "multiple-matches"),
]
