"""$document over HTTP, on both engines.

Outside sources: the invariants of Bundle, Composition and Narrative in HL7's R4 package, evaluated
by fhirpathpy; the rules of http://hl7.org/fhir/R4/documents.html, recomputed here from the answer.
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import fhirpathpy
import httpx
import pytest
from fhirpathpy.engine.nodes import ResourceNode
from fhirpathpy.models import models
from lxml import etree

from service.caller import ANONYMOUS, Caller
from service.errors import Forbidden, NotFound
from service.handover.document import document as document_of
from service.rest.call import Answer, Call, Service
from service.rest.document import show_document
from service.rest.routing import Interaction
from service.settings import Settings
from service.standard.validation import validate
from service.store.current import current_version
from service.store.store import Store
from tests import official
from tests.factories.care import HOSTILE, case, neighbour
from tests.factories.course import references

Resource = dict[str, Any]
BASE = "https://clinic.example/fhir"
SECTIONS = [
    "cautions-allergies",
    "reason-problems",
    "plan-goals",
    "treatment",
    "outcomes",
    "recommendations",
    "next-steps",
]


def send(fhir: httpx.Client, resources: list[Resource]) -> None:
    entries = [
        {
            "resource": resource,
            "request": {"method": "PUT", "url": f"{resource['resourceType']}/{resource['id']}"},
        }
        for resource in resources
    ]
    bundle = {"resourceType": "Bundle", "type": "transaction", "entry": entries}
    answer = fhir.post("", json=bundle)
    assert answer.status_code == 200, answer.text[:2000]


def write(fhir: httpx.Client, name: str, **more: str) -> httpx.Response:
    return fhir.post("Composition/$document", params={"plan": name, **more})


def composition_of(document: Resource) -> Resource:
    found: Resource = document["entry"][0]["resource"]
    return found


def walk(value: Any) -> Iterator[Resource]:
    if isinstance(value, dict):
        yield value
        value = list(value.values())
    if isinstance(value, list):
        for item in value:
            yield from walk(item)


def literal(value: Any) -> Iterator[str]:
    """Every literal reference, those to contained resources left out."""
    for holder in walk(value):
        reference = holder.get("reference")
        if isinstance(reference, str) and not reference.startswith("#"):
            yield reference


def same_but_name_and_time(document: Resource) -> bytes:
    kept = {k: v for k, v in document.items() if k not in ("identifier", "timestamp")}
    return json.dumps(kept).encode()


@pytest.fixture
def plan(fhir: httpx.Client, name: str) -> str:
    """The id of a plan with a whole case around it, and a neighbour who is none of its business."""
    send(fhir, list(case(name)))
    send(fhir, list(neighbour(name)))
    return name


@pytest.fixture
def document(fhir: httpx.Client, plan: str) -> Resource:
    answer = write(fhir, plan)
    assert answer.status_code == 201, answer.text[:2000]
    found: Resource = answer.json()
    return found


# ------------------------------------------------------------------ the rules of documents


def _invariants(path: str) -> list[tuple[str, str]]:
    definition = official.package()[f"StructureDefinition-{path.partition('.')[0]}"]
    return [
        (rule["key"], rule["expression"])
        for element in definition["snapshot"]["element"]
        if element["path"] == path
        for rule in element.get("constraint", ())
        if rule.get("severity") == "error" and "expression" in rule
    ]


def _has_value(items: list[Any]) -> bool:
    """hasValue() is missing in fhirpathpy."""
    found = [item.data if isinstance(item, ResourceNode) else item for item in items]
    return len(found) == 1 and not isinstance(found[0], dict)


OPTIONS = {"userInvocationTable": {"hasValue": {"fn": _has_value, "arity": {0: []}}}}


def _holds(expression: str, node: Any, whole: Resource) -> bool:
    found = fhirpathpy.compile(expression, models["r4"], OPTIONS)(node, {"resource": whole})
    return bool(found == [True])


def test_document_keeps_the_rules_of_the_official_package(document: Resource) -> None:
    keys = set()
    for key, expression in _invariants("Bundle"):
        keys.add(key)
        assert _holds(expression, document, document), key
    assert {"bdl-9", "bdl-10", "bdl-11", "bdl-7"} <= keys
    composition = composition_of(document)
    sections = [key for key, _ in _invariants("Composition.section")]
    assert {"cmp-1", "cmp-2"} <= set(sections)
    for section in composition["section"]:
        for key, expression in _invariants("Composition.section"):
            node = ResourceNode.create_node(section, "Composition.section")
            assert _holds(expression, node, composition), (key, section["title"])


def test_rules_can_fail(document: Resource) -> None:
    rules = dict(_invariants("Bundle"))
    assert not _holds(rules["bdl-9"], document | {"identifier": {}}, document)
    assert not _holds(rules["bdl-11"], document | {"entry": document["entry"][::-1]}, document)


def test_document_is_valid_by_our_own_rules_too(document: Resource) -> None:
    assert [issue for issue in validate(document) if issue.severity == "error"] == []


def test_every_reference_is_inside_and_nothing_else_is(
    fhir: httpx.Client, document: Resource
) -> None:
    urls = [entry["fullUrl"] for entry in document["entry"]]
    assert len(urls) == len(set(urls))
    held = {url.removeprefix(f"{str(fhir.base_url).rstrip('/')}/"): n for n, url in enumerate(urls)}
    for entry in document["entry"]:
        resource = entry["resource"]
        assert entry["fullUrl"].endswith(f"/{resource['resourceType']}/{resource['id']}")
        assert set(literal(resource)) <= set(held)
    reached, wanted = set(), {next(iter(held))}
    while wanted - reached:
        name = (wanted - reached).pop()
        reached.add(name)
        wanted |= set(literal(document["entry"][held[name]]["resource"]))
    assert reached == set(held)


def test_nothing_of_another_client_appears(
    fhir: httpx.Client, plan: str, document: Resource
) -> None:
    text = json.dumps(document)
    for secret in ("Neighbour", "Nils", "Secret", f"c-{plan}-other", "other-secret", "77.0"):
        assert secret not in text, secret
    inside = {entry["resource"]["id"] for entry in document["entry"]}
    assert f"{plan}-swallow-delay-90" in inside
    assert not inside & {f"{plan}-group", f"{plan}-task", f"{plan}-swallow-delay-91"}


def test_what_was_left_out_is_told_where_it_stood(plan: str, document: Resource) -> None:
    held = {entry["resource"]["id"]: entry["resource"] for entry in document["entry"]}
    masked = held[f"{plan}-swallow-delay-90"]
    reason = "http://hl7.org/fhir/StructureDefinition/data-absent-reason"
    assert masked["focus"] == [
        {"extension": [{"url": reason, "valueCode": "masked"}], "type": kind}
        for kind in ("Condition", "Patient")
    ]
    assert "SUBSETTED" in [tag["code"] for tag in masked["meta"]["tag"]]
    author = held[f"{plan}-swallow-delay-92"]["note"][0]["authorReference"]
    assert author["extension"] == [{"url": reason, "valueCode": "unknown"}]
    assert author["display"] == "Dr Gone"
    assert "reference" not in author
    whole = held[f"{plan}-swallow-delay-5"]
    assert "tag" not in whole["meta"]


def test_values_of_another_client_are_not_computed_with(fhir: httpx.Client, plan: str) -> None:
    answer = fhir.get(f"CarePlan/{plan}/$progress")
    assert "delay-92" in answer.text
    assert f"{plan}-swallow-delay-91" not in answer.text


# ------------------------------------------------------------------ what it says


def test_composition_has_every_part(plan: str, document: Resource) -> None:
    composition = composition_of(document)
    assert composition["status"] == "preliminary"
    assert "attester" not in composition
    assert composition["type"]["coding"][0]["code"] == "11512-1"
    assert composition["subject"] == {"reference": f"Patient/c-{plan}"}
    assert composition["custodian"] == {"reference": f"Organization/{plan}-house"}
    assert composition["event"][0]["period"]["start"] == "2026-03-02"
    assert composition["author"] == [{"reference": "#service", "display": "Hyoid"}]
    codes = [section["code"]["coding"][0]["code"] for section in composition["section"]]
    assert codes == SECTIONS


def test_codes_of_loinc_are_those_of_the_official_value_sets(document: Resource) -> None:
    """Section codes that only the CDA template library has are verified by hand, and named."""
    elsewhere = {"11450-4", "11383-7"}
    known = {
        concept["code"]: concept.get("display")
        for key in ("ValueSet-c80-doc-typecodes", "ValueSet-doc-section-codes")
        for include in official.package()[key]["compose"]["include"]
        for concept in include.get("concept", ())
    }
    composition = composition_of(document)
    concepts = [composition["type"], *(section["code"] for section in composition["section"])]
    used = {
        coding["code"]
        for concept in concepts
        for coding in concept["coding"]
        if coding["system"] == "http://loinc.org"
    }
    assert used - elsewhere <= set(known)
    assert elsewhere <= used


def _text(section: Resource) -> str:
    div = etree.fromstring(section["text"]["div"])
    return " ".join(" ".join(div.itertext()).split())


@pytest.mark.parametrize(
    ("code", "words"),
    [
        ("cautions-allergies", ["Coughs on thin fluids", "Citrus fruit", "Swollen lips", "high"]),
        ("cautions-allergies", ["Minced and moist", "licensed therapist"]),
        ("reason-problems", ["Swallowing difficulty", "October 2025", "Active"]),
        (
            "plan-goals",
            ["Prompt swallow & safe words", "Swallow delay", "3.0 s or less", "over 1 goal."],
        ),
        ("plan-goals", ["Ada Okoro", "2 March 2026"]),
        (
            "treatment",
            ["3 sets, 5 strokes a side", "2 times a week", "90 / 90", "Chilled rapid strokes"],
        ),
        ("treatment", ["Illness 1", "6 of ", "▁"]),
        ("outcomes", ["9.15 s (median of 4)", "8.8 →", "improving", "23 April 2026"]),
        ("recommendations", ["Keep the dose. <b>Loud</b>", "20 March 2026, 10:00", "Upright"]),
        ("next-steps", ["Next visit", "booked", "Ada Okoro"]),
    ],
)
def test_section_says(document: Resource, code: str, words: list[str]) -> None:
    section = composition_of(document)["section"][SECTIONS.index(code)]
    told = _text(section)
    for word in words:
        assert word in told, told


def test_narrative_is_escaped_and_plain(document: Resource) -> None:
    composition = composition_of(document)
    divs = [composition["text"]["div"], *(s["text"]["div"] for s in composition["section"])]
    allowed = {"div", "p", "b", "ul", "li", "table", "caption", "thead", "tbody", "tr", "th", "td"}
    for div in divs:
        assert div.startswith('<div xmlns="http://www.w3.org/1999/xhtml"')
        assert "<script" not in div
        root = etree.fromstring(div)
        assert {etree.QName(node).localname for node in root.iter()} <= allowed
        assert all(text.strip() for node in root.iter("{*}td", "{*}th") for text in [node.text])
    assert HOSTILE in _text(composition)
    assert "safe to swallow" not in json.dumps(document).lower()


def test_sections_with_nothing_say_why(fhir: httpx.Client, name: str) -> None:
    mine = {"reference": f"Patient/c-{name}"}
    bare = {"resourceType": "CarePlan", "id": name, "status": "active", "intent": "plan"}
    send(
        fhir,
        [
            {"resourceType": "Patient", "id": f"c-{name}"},
            bare | {"subject": mine, "period": {"start": "2026-03-02"}},
        ],
    )
    document = write(fhir, name).json()
    found = {
        section["code"]["coding"][0]["code"]: section
        for section in composition_of(document)["section"]
    }
    reasons = {
        code: section["emptyReason"]["coding"][0]["code"]
        for code, section in found.items()
        if "emptyReason" in section
    }
    assert reasons == {
        "cautions-allergies": "unavailable",
        "reason-problems": "unavailable",
        "treatment": "notstarted",
        "outcomes": "notstarted",
        "recommendations": "unavailable",
        "next-steps": "unavailable",
    }
    assert "no statement that there is none" in _text(found["cautions-allergies"])
    assert [issue for issue in validate(document) if issue.severity == "error"] == []


def test_discharge_summary_when_the_plan_is_done(fhir: httpx.Client, plan: str) -> None:
    patch = [{"op": "replace", "path": "/status", "value": "completed"}]
    fhir.patch(
        f"CarePlan/{plan}",
        content=json.dumps(patch),
        headers={"Content-Type": "application/json-patch+json"},
    ).raise_for_status()
    composition = composition_of(write(fhir, plan).json())
    assert composition["type"]["coding"][0]["code"] == "68841-6"


# ------------------------------------------------------------------ stable, and once


def test_same_data_same_bytes_but_name_and_time(fhir: httpx.Client, plan: str) -> None:
    first, second = write(fhir, plan), write(fhir, plan)
    assert (first.status_code, second.status_code) == (201, 200)
    one, two = first.json(), second.json()
    assert same_but_name_and_time(one) == same_but_name_and_time(two)
    assert one["identifier"]["value"] != two["identifier"]["value"]
    key = composition_of(one)["id"]
    third = fhir.get(f"Composition/{key}/$document")
    head, _, rest = third.content.partition(b'"entry":')
    assert rest == first.content.partition(b'"entry":')[2]
    assert b"urn:uuid:" in head
    assert fhir.get(f"Composition?subject=Patient/c-{plan}").json()["total"] == 1


def test_asked_at_the_same_time_it_is_written_once(fhir: httpx.Client, plan: str) -> None:
    with ThreadPoolExecutor(4) as pool:
        answers = list(pool.map(lambda _: write(fhir, plan), range(4)))
    assert sorted(answer.status_code for answer in answers) == [200, 200, 200, 201]
    assert len({json.dumps(composition_of(answer.json())) for answer in answers}) == 1


def test_changed_data_make_a_new_version_of_the_draft(fhir: httpx.Client, plan: str) -> None:
    first = composition_of(write(fhir, plan).json())
    flag = fhir.get(f"Flag/{plan}-flag").json()
    flag["code"]["text"] = "Coughs on everything"
    fhir.put(f"Flag/{plan}-flag", json=flag).raise_for_status()
    answer = write(fhir, plan)
    second = composition_of(answer.json())
    assert answer.status_code == 201
    assert second["id"] == first["id"]
    assert second["meta"]["versionId"] == "2"
    assert "Coughs on everything" in second["text"]["div"]
    history = fhir.get(f"Composition/{first['id']}/_history").json()
    assert [entry["request"]["method"] for entry in history["entry"]] == ["POST", "POST"]
    assert [issue for issue in validate(history) if issue.severity == "error"] == []


def _attested(fhir: httpx.Client, plan: str, composition: Resource) -> None:
    signed = composition | {
        "status": "final",
        "attester": [
            {
                "mode": "professional",
                "time": "2026-04-30T10:00:00-07:00",
                "party": {"reference": f"Practitioner/{plan}-therapist"},
            }
        ],
    }
    fhir.put(f"Composition/{composition['id']}", json=signed).raise_for_status()


def test_attested_document_is_left_as_it_is(fhir: httpx.Client, plan: str) -> None:
    draft = composition_of(write(fhir, plan).json())
    _attested(fhir, plan, draft)
    again = write(fhir, plan)
    assert again.status_code == 200
    assert composition_of(again.json())["status"] == "final"
    allergy = fhir.get(f"AllergyIntolerance/{plan}-citrus").json()
    allergy["code"]["text"] = "Lemon"
    fhir.put(f"AllergyIntolerance/{plan}-citrus", json=allergy).raise_for_status()
    other = composition_of(write(fhir, plan).json())
    assert other["id"] != draft["id"]
    assert other["status"] == "preliminary"
    assert fhir.get(f"Composition/{draft['id']}").json()["status"] == "final"
    assert "version" not in write(fhir, plan).headers
    assert fhir.get(f"Composition?subject=Patient/c-{plan}").json()["total"] == 2


def test_what_a_person_edited_is_not_overwritten(fhir: httpx.Client, plan: str) -> None:
    draft = composition_of(write(fhir, plan).json())
    edited = draft | {"title": "Edited by a person"}
    fhir.put(f"Composition/{draft['id']}", json=edited).raise_for_status()
    other = composition_of(write(fhir, plan).json())
    assert other["id"] != draft["id"]
    assert fhir.get(f"Composition/{draft['id']}").json()["title"] == "Edited by a person"


def test_author_custodian_and_title_as_asked(fhir: httpx.Client, plan: str) -> None:
    body = {
        "resourceType": "Parameters",
        "parameter": [
            {"name": "plan", "valueReference": {"reference": f"CarePlan/{plan}"}},
            {"name": "patient", "valueString": f"Patient/c-{plan}"},
            {"name": "author", "valueReference": {"reference": f"Practitioner/{plan}-therapist"}},
            {"name": "custodian", "valueString": f"{plan}-house"},
            {"name": "title", "valueString": "For the hospital"},
        ],
    }
    answer = fhir.post("Composition/$document", json=body)
    assert answer.status_code == 201, answer.text[:500]
    composition = composition_of(answer.json())
    assert composition["author"][0] == {"reference": f"Practitioner/{plan}-therapist"}
    assert composition["title"] == "For the hospital"
    inside = {entry["resource"]["id"] for entry in answer.json()["entry"]}
    assert {f"{plan}-therapist", f"{plan}-house"} <= inside


# ------------------------------------------------------------------ stored Compositions of others


def test_document_of_any_composition(fhir: httpx.Client, plan: str) -> None:
    send(fhir, [_foreign(plan)])
    for answer in (
        fhir.get(f"Composition/{plan}-theirs/$document"),
        fhir.get("Composition/$document", params={"id": f"{plan}-theirs"}),
        fhir.post(f"Composition/{plan}-theirs/$document"),
    ):
        assert answer.status_code == 200, answer.text[:500]
        names = references([entry["resource"] for entry in answer.json()["entry"]])
        assert names[0] == f"Composition/{plan}-theirs"
        assert f"Condition/{plan}-dysphagia" in names
        assert f"CarePlan/{plan}" not in names
        assert "attester" not in answer.json()["entry"][0]["resource"]


def _foreign(plan: str, **more: Any) -> Resource:
    div = (
        '<div xmlns="http://www.w3.org/1999/xhtml"><p>See <a href="https://x.example/">there</a>'
        '<a name="mark"/> <span style="color: red">red</span></p></div>'
    )
    return {
        "resourceType": "Composition",
        "id": f"{plan}-theirs",
        "status": "final",
        "type": {"coding": [{"system": "http://loinc.org", "code": "28571-8"}]},
        "subject": {"reference": f"Patient/c-{plan}"},
        "date": "2026-04-01",
        "author": [{"reference": f"Practitioner/{plan}-therapist"}],
        "title": "Theirs <i>",
        "section": [
            {
                "title": "One",
                "text": {"status": "additional", "div": div},
                "entry": [{"reference": f"Condition/{plan}-dysphagia"}],
            }
        ],
    } | more


@pytest.mark.parametrize(
    ("element", "value", "place"),
    [
        ("custodian", {"reference": "Organization/nowhere"}, "Composition.custodian"),
        ("encounter", {"reference": "Encounter/nowhere"}, "Composition.encounter"),
        (
            "author",
            [{"reference": "https://else.example/fhir/Practitioner/1"}],
            "Composition.author[0]",
        ),
        ("subject", {"reference": "Patient/nobody-here"}, "Composition.subject"),
    ],
)
def test_composition_that_names_what_cannot_come_is_refused(
    fhir: httpx.Client, plan: str, element: str, value: Any, place: str
) -> None:
    send(fhir, [_foreign(plan, **{element: value})])
    answer = fhir.get(f"Composition/{plan}-theirs/$document")
    assert answer.status_code == 422
    assert place in [i["expression"][0] for i in answer.json()["issue"]]


def test_entry_of_another_client_is_refused(fhir: httpx.Client, plan: str) -> None:
    section = {"title": "x", "entry": [{"reference": f"Condition/{plan}-other-secret"}]}
    send(fhir, [_foreign(plan, section=[section])])
    answer = fhir.get(f"Composition/{plan}-theirs/$document")
    assert answer.status_code == 422
    assert answer.json()["issue"][0]["expression"] == ["Composition.section[0].entry[0]"]
    assert "Secret" not in answer.text


@pytest.mark.parametrize(
    ("method", "address", "status", "place"),
    [
        ("GET", "Composition/x/$document?graph=http://x.example/g", 400, "http.graph"),
        ("GET", "Composition/x/$document?id=x", 400, "http.id"),
        ("GET", "Composition/x/$document?colour=blue", 400, "http.colour"),
        ("GET", "Composition/nobody-wrote/$document", 404, None),
        ("GET", "Composition/nobody-wrote/$document?persist=true", 405, None),
        ("GET", "Composition/$document?plan=x", 405, None),
        ("POST", "Composition/$document?plan=nobody-plans", 404, None),
        ("POST", "Composition/$document?plan=Patient/x", 400, "http.plan"),
        ("POST", "Composition/$document?plan=a&plan=b", 400, "http.plan"),
        ("POST", "Composition/$document", 400, "http.plan"),
        ("POST", "Composition/$document?plan={plan}&patient=c-{plan}-other", 400, "http.patient"),
        (
            "POST",
            "Composition/$document?plan={plan}&author=Practitioner/no-one",
            404,
            "http.author",
        ),
        (
            "POST",
            "Composition/$document?plan={plan}&author=Patient/c-{plan}-other",
            404,
            "http.author",
        ),
        ("POST", "Composition/$document?plan={plan}&custodian=no-house", 404, "http.custodian"),
        ("POST", "Composition/$document?plan={plan}&persist=perhaps", 400, "http.persist"),
        ("POST", "Composition/$document?plan={plan}&title=", 400, "http.title"),
    ],
)
def test_bad_questions_are_refused(
    fhir: httpx.Client, plan: str, method: str, address: str, status: int, place: str | None
) -> None:
    answer = fhir.request(method, address.format(plan=plan))
    assert answer.status_code == status, answer.text
    assert answer.json()["resourceType"] == "OperationOutcome"
    if place is not None:
        assert answer.json()["issue"][0]["location"] == [place]
    assert fhir.get(f"Composition?subject=Patient/c-{plan}").json()["total"] == 0


def test_deep_sections_are_no_fault(fhir: httpx.Client, plan: str) -> None:
    div = '<div xmlns="http://www.w3.org/1999/xhtml"><p>At the bottom</p></div>'
    section: Resource = {"title": "deepest", "text": {"status": "additional", "div": div}}
    for depth in range(40):
        section = {"title": f"level {depth}", "section": [section]}
    send(fhir, [_foreign(plan, section=[section])])
    assert fhir.get(f"Composition/{plan}-theirs/$document").status_code == 200
    assert "At the bottom" in page(fhir, f"{plan}-theirs").text


def test_not_within_a_transaction(fhir: httpx.Client, plan: str) -> None:
    for kind, status in (("transaction", 400), ("batch", 200)):
        entry = {"request": {"method": "POST", "url": f"Composition/$document?plan={plan}"}}
        answer = fhir.post("", json={"resourceType": "Bundle", "type": kind, "entry": [entry]})
        assert answer.status_code == status, answer.text[:500]
    draft = composition_of(write(fhir, plan).json())["id"]
    url = f"Composition/{draft}/$document"
    for query, status in (("", "200"), ("?_format=text/html", "406")):
        entry = {"request": {"method": "GET", "url": url + query}}
        answer = fhir.post("", json={"resourceType": "Bundle", "type": "batch", "entry": [entry]})
        assert answer.json()["entry"][0]["response"]["status"].startswith(status)


def test_the_only_plan_of_a_patient_is_found(fhir: httpx.Client, plan: str) -> None:
    answer = fhir.post("Composition/$document", params={"patient": f"c-{plan}"})
    assert answer.status_code == 201
    assert composition_of(answer.json())["event"][0]["detail"] == [
        {"reference": f"CarePlan/{plan}"}
    ]
    send(
        fhir,
        [
            {
                "resourceType": "CarePlan",
                "id": f"{plan}-2",
                "status": "active",
                "intent": "plan",
                "subject": {"reference": f"Patient/c-{plan}"},
            }
        ],
    )
    answer = fhir.post("Composition/$document", params={"patient": f"c-{plan}"})
    assert answer.status_code == 400
    assert f"{plan}-2" in answer.text


# ------------------------------------------------------------------ kept


def test_kept_document_is_the_answer_byte_for_byte(fhir: httpx.Client, plan: str) -> None:
    key = composition_of(write(fhir, plan).json())["id"]
    answer = fhir.post(f"Composition/{key}/$document", params={"persist": "true"})
    assert answer.status_code == 200, answer.text[:500]
    kept = fhir.get(answer.headers["Location"]).json()
    attachment = kept["content"][0]["attachment"]
    assert base64.b64decode(attachment["data"]) == answer.content
    assert base64.b64decode(attachment["hash"]) == hashlib.sha1(answer.content).digest()
    assert kept["masterIdentifier"]["value"] == answer.json()["identifier"]["value"]
    assert kept["subject"] == {"reference": f"Patient/c-{plan}"}
    assert kept["docStatus"] == "preliminary"
    found = fhir.get(f"DocumentReference?patient=c-{plan}").json()
    assert found["total"] == 1


# ------------------------------------------------------------------ for people


def page(fhir: httpx.Client, key: str, accept: str = "text/html") -> httpx.Response:
    return fhir.get(f"Composition/{key}/$document", headers={"Accept": accept})


def test_page_shows_the_same_document(fhir: httpx.Client, plan: str) -> None:
    draft = composition_of(write(fhir, plan).json())
    answer = page(
        fhir, draft["id"], "text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8"
    )
    assert answer.headers["Content-Type"] == "text/html; charset=utf-8"
    policy = answer.headers["Content-Security-Policy"]
    assert policy.startswith("default-src 'none'; style-src 'sha256-")
    style = answer.text.partition("<style>")[2].partition("</style>")[0]
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    assert digest in policy
    assert "Preliminary: no therapist has attested" in answer.text
    assert "&lt;script&gt;alert(1)" in answer.text
    assert "<script" not in answer.text
    titles = [section["title"] for section in draft["section"]]
    places = [answer.text.index(f">{title}</h2>") for title in ["Client", "Overview", *titles]]
    assert places == sorted(places)


def test_page_names_who_attested(fhir: httpx.Client, plan: str) -> None:
    draft = composition_of(write(fhir, plan).json())
    _attested(fhir, plan, draft)
    text = page(fhir, draft["id"]).text
    assert "Final." in text
    assert "Attested (professional) by Ada Okoro, 30 April 2026, 10:00." in text
    assert "Preliminary" not in text


def test_page_of_a_foreign_composition_is_harmless(fhir: httpx.Client, plan: str) -> None:
    send(fhir, [_foreign(plan)])
    text = page(fhir, f"{plan}-theirs").text
    assert "Theirs &lt;i&gt;" in text
    assert 'href="https://x.example/" rel="noopener noreferrer"' in text
    assert "style=" not in text
    assert "Client" in text


@pytest.mark.parametrize(
    ("accept", "wanted", "kind"),
    [
        ("application/fhir+json", "", "application/fhir+json"),
        ("*/*", "", "application/fhir+json"),
        ("*/*", "?_format=text/html", "text/html; charset=utf-8"),
        ("text/html;q=0.2, application/fhir+json", "", "application/fhir+json"),
        ("text/html, application/fhir+json;q=0.9", "", "text/html; charset=utf-8"),
        ("image/png", "", None),
        ("*/*", "?_format=image/png", None),
        ("text/html;q=0", "", None),
    ],
)
def test_form_is_negotiated(
    fhir: httpx.Client, plan: str, accept: str, wanted: str, kind: str | None
) -> None:
    send(fhir, [_foreign(plan)])
    answer = fhir.get(f"Composition/{plan}-theirs/$document{wanted}", headers={"Accept": accept})
    assert answer.status_code == (406 if kind is None else 200)
    if kind is not None:
        assert answer.headers["Content-Type"] == kind


def test_other_addresses_offer_json_only(fhir: httpx.Client, plan: str) -> None:
    assert fhir.get(f"Patient/c-{plan}", headers={"Accept": "text/html"}).status_code == 406


@pytest.fixture
def read_pdf() -> Callable[[bytes], str]:
    try:
        import weasyprint  # noqa: F401
    except (ImportError, OSError):
        pytest.skip("WeasyPrint, or Pango which it draws with, is not installed")
    pypdf = pytest.importorskip("pypdf")

    def read(body: bytes) -> str:
        from io import BytesIO

        pages = pypdf.PdfReader(BytesIO(body)).pages
        return " ".join(" ".join(one.extract_text() for one in pages).split())

    return read


def test_pdf_holds_the_text(
    fhir: httpx.Client, plan: str, read_pdf: Callable[[bytes], str]
) -> None:
    draft = composition_of(write(fhir, plan).json())
    answer = page(fhir, draft["id"], "application/pdf")
    assert answer.status_code == 200, answer.text[:500]
    assert answer.headers["Content-Type"] == "application/pdf"
    text = read_pdf(answer.content)
    for words in ("Coughs on thin fluids", "Swallow delay", "9.15 s (median of 4)", "improving"):
        assert words in text, text
    assert "<script>alert(1)</script>" in text


def test_capability_statement_claims_it(fhir: httpx.Client) -> None:
    statement = fhir.get("metadata").json()
    composition = next(r for r in statement["rest"][0]["resource"] if r["type"] == "Composition")
    claimed = {o["name"]: o["definition"] for o in composition["operation"]}
    assert claimed["document"] == "http://hl7.org/fhir/OperationDefinition/Composition-document"


# ------------------------------------------------------------------ who may


def _service(store: Store) -> Service:
    with store.write(ANONYMOUS) as unit:
        for resource in [*case("p"), *neighbour("p")]:
            unit.append(resource, resource["id"], BASE, method="PUT", current=None)
    return Service(store, Settings(database="sqlite:///unused"), b"")


def _asked(service: Service, caller: Caller, method: str = "POST") -> Answer:
    path = ("Composition", "$document")
    query = (("plan", "p"),)
    call = Call(method, path, query, {}, b"", BASE, caller, service.store.reader)
    return show_document(service, call, Interaction("operation", "Composition", None, "$document"))


def test_only_for_own_clients(store: Store) -> None:
    service = _service(store)
    for clients in (frozenset[str](), frozenset({"c-p-other"})):
        with pytest.raises(NotFound):
            _asked(service, Caller("other", ANONYMOUS.scopes, clients))
    everybody = _asked(service, ANONYMOUS).body
    own = _asked(service, Caller("own", ANONYMOUS.scopes, frozenset({"c-p"}))).body
    assert own.partition(b'"entry":')[2] == everybody.partition(b'"entry":')[2]


def test_who_may_not_read_all_may_not_write_that_nothing_is_recorded(store: Store) -> None:
    service = _service(store)
    kinds = ("CarePlan", "Patient", "Observation", "Procedure", "Composition")
    scopes = frozenset(f"system/{kind}.cruds" for kind in kinds)
    with pytest.raises(Forbidden, match="AllergyIntolerance"):
        _asked(service, Caller("some", scopes))
    with pytest.raises(Forbidden, match="Composition"):
        _asked(service, Caller("reader", frozenset({"system/*.rs"})))


def test_person_who_asks_is_author(store: Store) -> None:
    service = _service(store)
    caller = Caller("ada", ANONYMOUS.scopes, kind="person", reference="Practitioner/p-therapist")
    composition = composition_of(json.loads(_asked(service, caller).body))
    assert composition["author"][0] == {"reference": "Practitioner/p-therapist"}
    assert "attester" not in composition


def test_cost_is_that_of_the_record_not_of_the_store(store: Store) -> None:
    """As many statements with two other clients in the store as with sixty."""
    service = _service(store)
    _asked(service, ANONYMOUS)
    key = composition_of(json.loads(_asked(service, ANONYMOUS).body))["id"]
    with store.reader() as connection:
        stored = current_version(connection, ANONYMOUS, "Composition", key)
    assert stored is not None

    def statements() -> int:
        count = 0

        class Counted:
            def __init__(self, connection: Any) -> None:
                self._connection = connection
                self.dialect = connection.dialect

            def __getattr__(self, name: str) -> Any:
                nonlocal count
                count += name in ("row", "rows", "stream")
                return getattr(self._connection, name)

        with store.reader(snapshot=True) as connection:
            document_of(Counted(connection), ANONYMOUS, stored, BASE)  # type: ignore[arg-type]
        return count

    before = statements()
    with store.write(ANONYMOUS) as unit:
        for number in range(60):
            for resource in case(f"more-{number}"):
                unit.append(resource, resource["id"], BASE, method="PUT", current=None)
    assert statements() == before <= 8
