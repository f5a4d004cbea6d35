"""Searches over HTTP: what the Bundle looks like, how pages hang together, what is refused.

R4: http://hl7.org/fhir/R4/http.html#search, http://hl7.org/fhir/R4/search.html. What is found is
compared with a plain reading of the specification in `tests/store/searching`.
"""

from __future__ import annotations

from typing import Any
from urllib.parse import parse_qs, urlsplit

import httpx
import pytest

from service.standard.validation import validate

Resource = dict[str, Any]


@pytest.fixture
def course(fhir: httpx.Client, name: str) -> str:
    """A client with a therapist and five measures, one a day, and the id that all begin with."""
    doctor = f"Practitioner/{name}-doctor"
    resources: list[Resource] = [
        {"resourceType": "Practitioner", "id": f"{name}-doctor", "name": [{"family": "Vlková"}]},
        {
            "resourceType": "Patient",
            "id": name,
            "active": True,
            "name": [{"family": "Nováková", "given": ["Anna"]}],
            "generalPractitioner": [{"reference": doctor}],
            "text": {
                "status": "generated",
                "div": '<div xmlns="http://www.w3.org/1999/xhtml">Anna</div>',
            },
        },
    ]
    for day in range(1, 6):
        resources.append(
            {
                "resourceType": "Observation",
                "id": f"{name}-{day}",
                "status": "final",
                "code": {
                    "coding": [{"system": "urn:course", "code": name}],
                    "text": "Lip strength",
                },
                "subject": {"reference": f"Patient/{name}"},
                "performer": [{"reference": doctor}],
                "effectiveDateTime": f"2026-03-0{day}",
                "valueQuantity": {
                    "value": day,
                    "system": "http://unitsofmeasure.org",
                    "code": "kPa",
                },
            }
        )
    for resource in resources:
        address = f"{resource['resourceType']}/{resource['id']}"
        fhir.put(address, json=resource).raise_for_status()
    return name


def ids(bundle: Resource, mode: str = "match") -> list[str]:
    """Ids of the entries of one mode, in order."""
    found = [e for e in bundle.get("entry", ()) if e["search"]["mode"] == mode]
    return [entry["resource"].get("id", "") for entry in found]


def link(bundle: Resource, relation: str) -> str | None:
    """The URL of a link, if it is there."""
    return next((each["url"] for each in bundle["link"] if each["relation"] == relation), None)


def get(fhir: httpx.Client, address: str, **headers: str) -> Resource:
    """The Bundle of a search that must succeed."""
    answer = fhir.get(address, headers=headers)
    assert answer.status_code == 200, answer.text
    bundle: Resource = answer.json()
    assert bundle["resourceType"] == "Bundle"
    return bundle


def test_a_bundle_tells_what_was_found_and_how_it_was_understood(
    fhir: httpx.Client, course: str
) -> None:
    bundle = get(fhir, f"Observation?patient={course}&date=ge2026-03-04")
    assert bundle["type"] == "searchset"
    assert bundle["total"] == 2
    assert ids(bundle) == [f"{course}-4", f"{course}-5"]
    base = str(fhir.base_url)
    assert bundle["entry"][0]["fullUrl"] == f"{base}Observation/{course}-4"
    assert link(bundle, "self") == f"{base}Observation?patient={course}&date=ge2026-03-04"
    assert [issue for issue in validate(bundle) if issue.severity == "error"] == []


def test_nothing_found_is_an_empty_bundle(fhir: httpx.Client, name: str) -> None:
    bundle = get(fhir, f"Observation?patient={name}")
    assert bundle["total"] == 0
    assert "entry" not in bundle


def test_pages_lose_and_repeat_nothing_while_others_write(fhir: httpx.Client, course: str) -> None:
    bundle = get(fhir, f"Observation?patient={course}&_count=2")
    seen = ids(bundle)
    more = fhir.get(f"Observation/{course}-5").json() | {"id": f"{course}-6"}
    fhir.put(f"Observation/{course}-6", json=more).raise_for_status()
    fhir.delete(f"Observation/{course}-1").raise_for_status()
    while (following := link(bundle, "next")) is not None:
        bundle = get(fhir, following)
        seen += ids(bundle)
    assert seen == [f"{course}-{day}" for day in range(1, 7)]


def test_pages_lead_back_and_to_the_first(fhir: httpx.Client, course: str) -> None:
    first = get(fhir, f"Observation?patient={course}&_count=2&_sort=-date")
    second = get(fhir, link(first, "next") or "")
    assert ids(second) == [f"{course}-3", f"{course}-2"]
    back = get(fhir, link(second, "previous") or "")
    assert ids(back) == ids(first) == [f"{course}-5", f"{course}-4"]
    assert ids(get(fhir, link(second, "first") or "")) == ids(first)
    assert link(first, "previous") is None
    assert link(first, "first") is None


def test_a_cursor_that_was_changed_or_carried_elsewhere_is_refused(
    fhir: httpx.Client, course: str
) -> None:
    following = link(get(fhir, f"Observation?patient={course}&_count=2"), "next") or ""
    (cursor,) = parse_qs(urlsplit(following).query)["_cursor"]
    start = f"Observation?patient={course}&_count=2"
    for at in (0, len(cursor) // 2, len(cursor) - 1):
        other = "A" if cursor[at] != "A" else "B"
        changed = cursor[:at] + other + cursor[at + 1 :]
        assert fhir.get(f"{start}&_cursor={changed}").status_code == 400
    assert fhir.get(f"Observation?_count=2&_cursor={cursor}").status_code == 400
    assert fhir.get(f"{start}&_cursor=%C3%A9").status_code == 400


def test_post_search_gives_what_get_gives(fhir: httpx.Client, course: str) -> None:
    form = {"patient": course, "date": "ge2026-03-04"}
    posted = fhir.post("Observation/_search", data=form)
    assert posted.status_code == 200
    assert ids(posted.json()) == [f"{course}-4", f"{course}-5"]
    mixed = fhir.post("Observation/_search?_count=1", data={"patient": course})
    assert ids(mixed.json()) == [f"{course}-1"]
    assert ids(get(fhir, link(mixed.json(), "next") or "")) == [f"{course}-2"]
    body = fhir.post("Observation/_search", json=form)
    assert body.status_code == 415


def test_system_search_asks_several_types(fhir: httpx.Client, course: str) -> None:
    both = get(fhir, f"?_type=Patient,Observation&_id={course},{course}-3")
    assert ids(both) == [course, f"{course}-3"]
    shared = get(fhir, f"?_type=Observation,Procedure&patient={course}&_count=50")
    assert len(ids(shared)) == 5
    assert fhir.get("?_type=Observation,Nonsense").status_code == 400
    assert fhir.get("?_type=Observation,AuditEvent").status_code == 400


def test_compartment_search(fhir: httpx.Client, course: str) -> None:
    assert ids(get(fhir, f"Patient/{course}/Observation?date=2026-03-02")) == [f"{course}-2"]
    everything = get(fhir, f"Patient/{course}/*")
    assert sorted(ids(everything)) == sorted([course, *(f"{course}-{n}" for n in range(1, 6))])
    assert fhir.get(f"Patient/{course}/Nonsense").status_code == 404


def test_unknown_parameters_are_told_and_left_out(fhir: httpx.Client, course: str) -> None:
    bundle = get(fhir, f"Observation?patient={course}&bogus=1&name=&_count=50")
    assert len(ids(bundle)) == 5
    outcome = bundle["entry"][-1]
    assert outcome["search"]["mode"] == "outcome"
    assert [issue["location"] for issue in outcome["resource"]["issue"]] == [
        ["http.bogus"],
        ["http.name"],
    ]
    assert "bogus" not in (link(bundle, "self") or "")
    assert bundle["total"] == 5
    strict = fhir.get("Observation?bogus=1", headers={"Prefer": "handling=strict"})
    assert strict.status_code == 400
    assert strict.json()["issue"][0]["location"] == ["http.bogus"]


@pytest.mark.parametrize(
    ("asked", "named"),
    [
        ("Observation?date=tomorrow", "date"),
        ("Observation?date=zz2024-01-01", "date"),
        ("Observation?date=2024-02-30", "date"),
        ("Observation?value-quantity=many", "value-quantity"),
        ("Observation?value-quantity=5|kPa", "value-quantity"),
        ("Observation?subject=Patient/1/2", "subject"),
        ("Observation?subject:missing=perhaps", "subject:missing"),
        ("Observation?code:contains=x", "code:contains"),
        ("Observation?code=a||b", "code"),
        ("Observation?code=a,,b", "code"),
        ("Observation?code-value-quantity=x", "code-value-quantity"),
        ("Observation?subject:Nonsense=1", "subject:Nonsense"),
        ("Observation?subject:Practitioner.name=x", "subject:Practitioner.name"),
        ("Observation?_id=a/b", "_id"),
        ("Observation?_lastUpdated=yesterday", "_lastUpdated"),
        ("Observation?_sort=bogus", "_sort"),
        ("Observation?_sort=code-value-quantity", "_sort"),
        ("Observation?_count=-1", "_count"),
        ("Observation?_count=1&_count=2", "_count"),
        ("Observation?_total=roughly", "_total"),
        ("Observation?_summary=long", "_summary"),
        ("Observation?_summary=text&_include=Observation:subject", "_summary"),
        ("Observation?_elements=nonsense", "_elements"),
        ("Observation?_include=Observation", "_include"),
        ("Observation?_include=Observation:code", "_include"),
        ("Observation?_revinclude=Nonsense:subject", "_revinclude"),
        ("Observation?_contained=true", "_contained"),
        ("Patient?_has:Observation:patient=x", "_has:Observation:patient"),
        ("Patient?_has:Observation:patient:date=x", "_has:Observation:patient:date"),
        ("Patient?birthdate=%00", "birthdate"),
        ("Questionnaire?url:below=urn:oid:1.2", "url:below"),
    ],
)
def test_a_wrong_value_is_refused_with_its_parameter(
    fhir: httpx.Client, asked: str, named: str
) -> None:
    answer = fhir.get(asked)
    assert answer.status_code == 400, answer.text
    assert answer.json()["resourceType"] == "OperationOutcome"
    if "%00" not in asked:
        assert answer.json()["issue"][0]["location"] == [f"http.{named}"]


def test_what_would_touch_too_much_is_refused(fhir: httpx.Client) -> None:
    deep = "Procedure?" + ".".join(["part-of:Procedure"] * 9) + ".code=x"
    many = "Observation?date=" + ",".join(f"20{year:02}" for year in range(100)) * 4
    for asked in (deep, many):
        answer = fhir.get(asked)
        assert answer.status_code == 400, answer.text
        assert answer.json()["issue"][0]["code"] in ("too-costly", "value")


def test_includes_come_after_the_matches_once(fhir: httpx.Client, course: str) -> None:
    bundle = get(
        fhir,
        f"Observation?patient={course}&_include=Observation:subject"
        "&_include=Observation:performer:Practitioner&_total=accurate",
    )
    assert bundle["total"] == 5
    assert [e["search"]["mode"] for e in bundle["entry"]] == ["match"] * 5 + ["include"] * 2
    assert sorted(ids(bundle, "include")) == sorted([course, f"{course}-doctor"])


def test_includes_go_on_from_what_they_brought(fhir: httpx.Client, course: str) -> None:
    asked = f"Observation?_id={course}-1&_include=Observation:subject"
    once = get(fhir, f"{asked}&_include=Patient:general-practitioner")
    assert ids(once, "include") == [course]
    again = get(fhir, f"{asked}&_include:iterate=Patient:general-practitioner")
    assert ids(again, "include") == [course, f"{course}-doctor"]


def test_reverse_includes(fhir: httpx.Client, course: str) -> None:
    bundle = get(fhir, f"Patient?_id={course}&_revinclude=Observation:patient")
    assert ids(bundle) == [course]
    assert ids(bundle, "include") == [f"{course}-{day}" for day in range(1, 6)]
    whole = get(fhir, f"Practitioner?_id={course}-doctor&_revinclude=*")
    assert len(ids(whole, "include")) == 6


def test_totals(fhir: httpx.Client, course: str) -> None:
    asked = f"Observation?patient={course}"
    assert "total" not in get(fhir, f"{asked}&_count=2")
    assert get(fhir, f"{asked}&_count=2&_total=accurate")["total"] == 5
    assert get(fhir, f"{asked}&_count=2&_total=estimate")["total"] == 5
    for only in ("_summary=count", "_count=0"):
        bundle = get(fhir, f"{asked}&{only}")
        assert bundle["total"] == 5
        assert "entry" not in bundle


def test_elements_leaves_out_the_rest_and_says_so(fhir: httpx.Client, course: str) -> None:
    bundle = get(fhir, f"Observation?_id={course}-1&_elements=value,subject")
    resource = bundle["entry"][0]["resource"]
    assert set(resource) == {
        *("resourceType", "id", "meta"),
        *("status", "code"),  # mandatory
        *("subject", "valueQuantity"),
    }
    assert [tag["code"] for tag in resource["meta"]["tag"]] == ["SUBSETTED"]


def test_summaries(fhir: httpx.Client, course: str) -> None:
    def shown(kind: str) -> set[str]:
        bundle = get(fhir, f"Patient?_id={course}&_summary={kind}")
        resource: Resource = bundle["entry"][0]["resource"]
        tags = [tag["code"] for tag in resource["meta"].get("tag", ())]
        assert tags == ([] if kind == "false" else ["SUBSETTED"])
        return set(resource) - {"resourceType", "id", "meta"}

    assert shown("false") == {"active", "name", "generalPractitioner", "text"}
    assert shown("true") == {"active", "name"}
    assert shown("text") == {"text"}
    assert shown("data") == {"active", "name", "generalPractitioner"}


def test_results_are_served_number_for_number(fhir: httpx.Client, name: str) -> None:
    body = (
        f'{{"resourceType":"Observation","id":"{name}","status":"final","code":{{"text":"x"}},'
        '"valueQuantity":{"value":1.00,"unit":"kPa"}}'
    )
    json = {"Content-Type": "application/fhir+json"}
    fhir.put(f"Observation/{name}", content=body, headers=json).raise_for_status()
    assert '"value":1.00,' in fhir.get(f"Observation?_id={name}").text
    assert '"value":1.00,' in fhir.get(f"Observation?_id={name}&_elements=value").text


def test_words_and_accents(fhir: httpx.Client, course: str) -> None:
    assert ids(get(fhir, f"Patient?_id={course}&name=novak")) == [course]
    assert ids(get(fhir, f"Patient?_id={course}&name:exact=Nov%C3%A1kov%C3%A1")) == [course]
    assert ids(get(fhir, f"Patient?_id={course}&name:exact=novakova")) == []
    assert len(ids(get(fhir, f"Observation?code=urn:course|{course}&code:text=lip"))) == 5


def test_escaped_commas_and_bars_are_part_of_the_value(fhir: httpx.Client, name: str) -> None:
    patient = {"resourceType": "Patient", "id": name, "identifier": [{"value": f"{name},a|b$c\\d"}]}
    fhir.put(f"Patient/{name}", json=patient).raise_for_status()
    found = fhir.get("Patient", params={"identifier": rf"{name}\,a\|b\$c\\d"})
    assert ids(found.json()) == [name]


def test_our_own_absolute_references_are_local(fhir: httpx.Client, course: str) -> None:
    bundle = get(fhir, f"Observation?subject={fhir.base_url}Patient/{course}")
    assert len(ids(bundle)) == 5


def test_a_plus_before_a_zone_may_come_as_a_space(fhir: httpx.Client, course: str) -> None:
    asked = f"Observation?patient={course}&date=lt2026-03-02T00:00:00+02:00"
    assert ids(get(fhir, asked)) == [f"{course}-1"]


def test_deleted_resources_are_not_found(fhir: httpx.Client, course: str) -> None:
    fhir.delete(f"Observation/{course}-2").raise_for_status()
    for asked in (f"patient={course}", f"_id={course}-2", f"code={course}&date=2026-03-02"):
        assert f"{course}-2" not in ids(get(fhir, f"Observation?{asked}"))
    assert f"{course}-2" not in ids(get(fhir, f"Patient/{course}/*"))
