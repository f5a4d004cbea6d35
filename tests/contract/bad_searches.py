"""Searches that cannot be read, are not offered, or would touch too much.

Source: http://hl7.org/fhir/R4/search.html.
"""

from __future__ import annotations

from tests.contract.asked import FORM, Bad, asked, sent


def _search(
    query: str, code: str = "value", where: str = "", type_: str = "Observation", **headers: str
) -> Bad:
    """`where` is the parameter, by default the first one."""
    place = where or "http." + query.partition("=")[0]
    name = f"{type_}?{query}" if len(query) < 60 else f"{type_}?{query[:40]}… of {len(query)}"
    return asked(name, "GET", f"{type_}?{query}", 400, code, place, **headers)


_MANY = ",".join(str(number) for number in range(1001))
_DEEP = "subject:Patient" + ".link:Patient" * 9

ROWS = [
    _search("date=soon"),
    _search("date=2026-13"),
    _search("date=2026-02-30"),
    _search("date=xx2026"),
    _search("date=ge"),
    _search("date=2026-03-04T25:00:00Z"),
    _search("date=2026-03-04,"),
    _search("_lastUpdated=soon"),
    _search("value-quantity=much"),
    _search("value-quantity=ge"),
    _search("value-quantity=zz5"),
    _search("value-quantity=5|kPa"),
    _search("value-quantity=1e999"),
    _search("value-quantity=NaN"),
    _search("code=a|b|c"),
    _search("code=|"),
    _search("subject=Patient/"),
    _search("subject=a b"),
    _search("subject:Patient=Group/1"),
    _search("subject:Practitioner=1", "not-supported"),
    _search("_id=a_b"),
    _search("_id=a,"),
    _search("_id=%00", "structure", "http.query"),
    _search("code-value-quantity=a"),
    _search("code-value-quantity=a$b"),
    _search("code-value-quantity=a$5$6"),
    _search("code:missing=maybe"),
    _search("code:bogus=x", "not-supported"),
    _search("date:exact=2026", "not-supported"),
    _search("_lastUpdated:not=2026", "not-supported"),
    _search("_id:above=a", "not-supported"),
    _search("name:above=x", "not-supported", type_="Patient"),
    _search("url:below=a", type_="ValueSet"),
    _search("_count=x"),
    _search("_count=-1"),
    _search("_count=1.5"),
    _search("_count=1&_count=2"),
    _search("_count=99999999999999999999"),
    _search("_sort=colour"),
    _search("_sort=date,"),
    _search("_sort=code-value-quantity"),
    _search("_sort=date,date,date,date,date,date,date,date,date", "too-costly"),
    _search("_total=some"),
    _search("_summary=short"),
    _search("_summary=text&_include=Observation:subject"),
    _search("_elements=colour"),
    _search("_include=Observation"),
    _search("_include=Observation:colour"),
    _search("_include=Observation:code"),
    _search("_include=Observation:subject:Nobody"),
    _search("_include:often=Observation:subject", "not-supported"),
    _search("_revinclude=Nothing:subject"),
    _search("_contained=true", "not-supported"),
    _search("_contained=both", "not-supported"),
    _search("_containedType=container", "not-supported", "http._contained"),
    _search("_cursor=x"),
    _search("_cursor=AAAAAAAAAAAAAAAAAAAAAFtudWxsLDAsMV0"),
    _search("_pretty=x"),
    _search("_has:Observation=x"),
    _search("_has:Observation:patient:date=soon", type_="Patient"),
    _search("_type=Nothing", type_=""),
    _search("colour=blue", "not-supported", Prefer="handling=strict"),
    _search("code=", "not-supported", Prefer="handling=strict"),
    _search("subject.colour=blue", "not-supported", Prefer="handling=strict"),
    _search(f"code={_MANY}", "too-costly"),
    _search(f"{_DEEP}.name=x", "too-costly"),
    _search("&".join(["code=x"] * 61), "too-costly"),
    _search("&".join(["code=x"] * 501), "structure", "http.query"),
    _search("code=%FF", "structure", "http.query"),
    _search("code=%C3%28", "structure", "http.query"),
    _search("code=%ED%A0%80", "structure", "http.query"),
    sent(
        "form with a bad date",
        "POST",
        "Observation/_search",
        b"date=soon",
        400,
        "value",
        "http.date",
        Content_Type=FORM,
    ),
    sent(
        "form with a NUL",
        "POST",
        "Observation/_search",
        b"code=%00",
        400,
        "value",
        "http.code",
        Content_Type=FORM,
    ),
    sent(
        "form not of UTF-8",
        "POST",
        "Observation/_search",
        b"code=%FF",
        400,
        "structure",
        "",
        Content_Type=FORM,
    ),
    sent(
        "search posted as JSON",
        "POST",
        "Observation/_search",
        b"{}",
        415,
        "not-supported",
        "http.Content-Type",
    ),
    asked("compartment of a type not held", "GET", "Patient/there/Medication", 404, "not-found"),
    asked("compartment of another type", "GET", "Group/1/Observation", 404, "not-found"),
]
