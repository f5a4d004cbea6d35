"""Can a caller who sees some clients only come to see, or to change, more by writing?

Sight hangs on Patient.managingOrganization, Patient.generalPractitioner, CareTeam (subject,
participant, status), on what leads to a Binary, and on what a resource refers to. Each of these is
tried by each way of writing; afterwards the store must be what it was for the other clinic, and the
caller must see what it saw. And what all clinics share is changed by nobody but who made it.
"""

from __future__ import annotations

import base64
import itertools
import json
from collections.abc import Iterator
from typing import Any

import pytest

from service.caller import ANONYMOUS, Caller
from service.store.store import Store
from tests.access.asking import Asking, Told, asking
from tests.factories.clinical import observation, patient

Resource = dict[str, Any]
ALL = frozenset({"system/*.cruds"})
NORTH = Caller("north", ALL, tied=frozenset({"Organization/north"}))
NORTH_TOO = Caller("north's other system", ALL, tied=frozenset({"Organization/north"}))
NORTH_TEAM = Caller("team", ALL, tied=frozenset({"CareTeam/north-team"}))
NORTH_DOC = Caller("doc", ALL, tied=frozenset({"Practitioner/north-doc"}))
NORTH_ONE = Caller("one", ALL, clients=frozenset({"north"}))
BOTH = Caller("both", ALL, tied=frozenset({"Organization/north", "Organization/south"}))
SOUTH = Caller("south", ALL, tied=frozenset({"Organization/south"}))
TIED = {"organization": NORTH, "team": NORTH_TEAM, "practitioner": NORTH_DOC, "client": NORTH_ONE}
JSON_PATCH = "application/json-patch+json"


def ref(name: str) -> dict[str, str]:
    return {"reference": name}


def of(kind: str, key: str = "", **more: Any) -> Resource:
    return {"resourceType": kind, **({"id": key} if key else {}), **more}


def client(key: str, at: str) -> Resource:
    return patient(
        key,
        managingOrganization=ref(f"Organization/{at}"),
        generalPractitioner=[ref(f"Practitioner/{at}-doc")],
        identifier=[{"system": "https://clinic.example/c", "value": key}],
    )


def team(key: str, whose: str, who: str, status: str = "active") -> Resource:
    return of(
        "CareTeam", key, status=status, subject=ref(whose), participant=[{"member": ref(who)}]
    )


def binary(key: str = "", **more: Any) -> Resource:
    return of("Binary", key, contentType="text/plain", data="eA==", **more)


def document(whose: str, url: str, key: str = "") -> Resource:
    attached = [{"attachment": {"url": url}}]
    return of("DocumentReference", key, status="current", subject=ref(whose), content=attached)


def group(key: str, *members: str) -> Resource:
    listed = [{"entity": ref(f"Patient/{each}")} for each in members]
    return of("Group", key, type="person", actual=True, member=listed)


BEFORE = [
    of("Organization", "north", name="North"),
    of("Organization", "south", name="South"),
    of("Practitioner", "north-doc", active=True),
    of("Practitioner", "south-doc", active=True),
    of("PractitionerRole", "south-role", practitioner=ref("Practitioner/south-doc")),
    of("Location", "room", name="Room"),
    of("Device", "manometer", status="active"),
    of("Questionnaire", "form", status="active", url="https://clinic.example/form"),
    of("ValueSet", "words", status="active", url="https://clinic.example/words"),
    client("north", "north"),
    client("south", "south"),
    team("north-team", "Patient/north", "Practitioner/north-doc"),
    team("south-team", "Patient/south", "Practitioner/south-doc"),
    team("south-old", "Patient/south", "Practitioner/north-doc", "inactive"),
    observation("of-north", "Patient/north"),
    observation("of-south", "Patient/south"),
    group("both", "north", "south"),
    binary("loose"),
    binary("south-scan"),
    binary("north-scan"),
    document("Patient/south", "Binary/south-scan", "south-document"),
    document("Patient/north", "Binary/north-scan", "north-document"),
    binary("south-guarded", securityContext=ref("Observation/of-south")),
    binary("north-guarded", securityContext=ref("Observation/of-north")),
]
FOREIGN = [
    "Patient/south",
    "Observation/of-south",
    "CareTeam/south-team",
    "CareTeam/south-old",
    "Binary/loose",
    "Binary/south-scan",
    "Binary/south-guarded",
    "DocumentReference/south-document",
]
SHARED = [f"{r['resourceType']}/{r['id']}" for r in BEFORE[:9]]


@pytest.fixture(params=["sqlite", "postgresql"], scope="module")
def ask(request: pytest.FixtureRequest, module_store: Any) -> Iterator[Asking]:
    store: Store = module_store(request.param)
    with asking(store) as ask:
        for each in BEFORE:
            at = f"{each['resourceType']}/{each['id']}"
            assert ask(ANONYMOUS, "PUT", at, each).status == 201, at
        yield ask


def kept(ask: Asking) -> list[Any]:
    """Every version of what the tied callers have no right to change."""
    with ask.store.reader() as connection:
        rows = connection.rows(
            "SELECT r.type, r.id, v.vid, v.body FROM resource r JOIN version v ON v.rid = r.rid"
            " ORDER BY v.seq"
        )
    names = {*FOREIGN, *SHARED, "Group/both"}
    return [row for row in rows if f"{row[0]}/{row[1]}" in names]


def ways(resource: Resource) -> Iterator[tuple[str, str, str, Any, dict[str, str]]]:
    """Name, method, address, body, headers: to write this in the place of what has its id."""
    kind, key = resource["resourceType"], resource["id"]
    at = f"{kind}/{key}"
    without = {name: value for name, value in resource.items() if name != "id"}
    patches = [
        {"op": "add", "path": f"/{name}", "value": value}
        for name, value in resource.items()
        if name not in ("id", "resourceType")
    ]
    coded = base64.b64encode(json.dumps(patches).encode()).decode()
    holder = {"resourceType": "Binary", "contentType": JSON_PATCH, "data": coded}
    yield "update", "PUT", at, resource, {}
    yield "conditional update", "PUT", f"{kind}?_id={key}", resource, {}
    yield "patch", "PATCH", at, patches, {"content_type": JSON_PATCH}
    yield "conditional patch", "PATCH", f"{kind}?_id={key}", patches, {"content_type": JSON_PATCH}
    yield "create", "POST", kind, without, {}
    for name, entry in (
        ("update", {"resource": resource, "request": {"method": "PUT", "url": at}}),
        ("patch", {"resource": holder, "request": {"method": "PATCH", "url": at}}),
        ("create", {"resource": without, "request": {"method": "POST", "url": kind}}),
    ):
        for form in ("batch", "transaction"):
            bundle = {"resourceType": "Bundle", "type": form, "entry": [entry]}
            yield f"{name} in a {form}", "POST", "", bundle, {}


ROADS: dict[str, Resource] = {
    "the other's client becomes ours": client("south", "north"),
    "a care team over the other's client": team(
        "south-team", "Patient/south", "Practitioner/north-doc"
    ),
    "a care team that was over": team("south-old", "Patient/south", "Practitioner/north-doc"),
    "our care team gets the other's client": team(
        "north-team", "Patient/south", "Practitioner/north-doc"
    ),
    "an organisation in a care team": team("t", "Patient/south", "Organization/north"),
    "a relative form of the client": team(
        "t", "http://clinic.example/fhir/Patient/south/_history/1", "Organization/north"
    ),
    "the other's measure about our client": observation("of-south", "Patient/north"),
    "our measure about the other's client": observation("of-north", "Patient/south"),
    "a group of both": group("ours", "north", "south"),
    "a group without the other": group("both", "north"),
    "a document that leads to the other's scan": document(
        "Patient/north", "Binary/south-scan", "north-document"
    ),
    "a document that leads to what nobody leads to": document(
        "Patient/north", "Binary/loose", "north-document"
    ),
    "a document that leads to what is guarded": document(
        "Patient/north", "Binary/south-guarded", "north-document"
    ),
    "a scan guarded like the other's measure": binary(
        "x", securityContext=ref("Observation/of-south")
    ),
    "a list with the other's measure": of(
        "List", "l", status="current", mode="working", subject=ref("Patient/north"),
        source=ref("Patient/south"), entry=[{"item": ref("Observation/of-south")}],
    ),
    "provenance about the other's measure": of(
        "Provenance", "p", target=[ref("Observation/of-south")],
        recorded="2026-03-10T10:00:00Z", agent=[{"who": ref("Practitioner/north-doc")}],
    ),
}  # fmt: skip


def sight(ask: Asking, caller: Caller) -> dict[str, int]:
    """What is seen of what is not the caller's, read and searched; all of it must be nothing."""
    found = {at: ask(caller, "GET", at).status for at in FOREIGN}
    found |= {
        f"{at}?": ask(caller, "GET", f"{at.replace('/', '?_id=')}&_summary=count").json()["total"]
        for at in FOREIGN
    }
    whole = ask(caller, "GET", "_history?_count=500").body
    return found | {f"{at} in history": whole.count(f'fhir/{at}"'.encode()) for at in FOREIGN[:2]}


@pytest.mark.parametrize("tie", TIED)
@pytest.mark.parametrize("road", ROADS)
def test_no_road_leads_to_another_clinics_client(ask: Asking, road: str, tie: str) -> None:
    caller = TIED[tie]
    before, saw = kept(ask), sight(ask, caller)
    assert {*saw.values()} <= {404, 0}
    for name, method, address, body, headers in ways(ROADS[road]):
        told = ask(caller, method, address, body, **headers)
        assert 200 <= told.status < 500, (name, told.body)
        refused = told.status in (403, 404)
        if told.status == 200 and b'"batch-response"' in told.body:
            refused = told.json()["entry"][0]["response"]["status"][:3] in ("403", "404")
        # A group of our own clients alone is ours to make, and so is what is new about them.
        own = "create" in name and road in (
            "a group without the other",
            "the other's measure about our client",
            "the other's client becomes ours",
        )
        assert refused or own, (name, told.status, told.body)
        assert kept(ask) == before, name
        assert sight(ask, caller) == saw, name


@pytest.mark.parametrize("tie", TIED)
def test_deleting_what_decides_widens_nothing(ask: Asking, tie: str) -> None:
    caller = TIED[tie]
    before, saw = kept(ask), sight(ask, caller)
    for at in [*FOREIGN, *SHARED, "Group/both"]:
        conditional = at.replace("/", "?_id=")
        for address in (at, conditional):
            told = ask(caller, "DELETE", address)
            # What is seen is there, and refused; what is not seen is as if it were not there.
            assert told.status == (204 if at in FOREIGN else 403), (at, told.body)
    assert kept(ask) == before
    assert sight(ask, caller) == saw


@pytest.mark.parametrize("tie", TIED)
@pytest.mark.parametrize("at", SHARED)
def test_what_all_share_is_changed_by_none_of_them(ask: Asking, at: str, tie: str) -> None:
    caller, before = TIED[tie], kept(ask)
    kind, _, key = at.partition("/")
    stored = next(each for each in BEFORE if (each["resourceType"], each["id"]) == (kind, key))
    assert ask(caller, "GET", at).status == 200
    for name, method, address, body, headers in ways(stored | {"language": "de"}):
        if "create" in name:
            continue
        told = ask(caller, method, address, body, **headers)
        assert told.status == 403 or b'"status":"403' in told.body, (name, told.body)
        assert b"may be read, but not changed" in told.body
    # Nor taken away by making it about a client of one's own.
    if kind == "Device":
        owned = stored | {"patient": ref("Patient/north")}
        assert ask(caller, "PUT", at, owned).status == 403
    assert kept(ask) == before


def test_a_definition_of_others_is_not_replaced_under_its_url(ask: Asking) -> None:
    """By URL the newest is meant, whoever stored it."""
    for kind, url in (("Questionnaire", "form"), ("ValueSet", "words")):
        taken = of(kind, status="active", url=f"https://clinic.example/{url}", version="9")
        assert ask(NORTH, "POST", kind, taken).status == 403
        assert ask(ANONYMOUS, "POST", kind, taken).status == 201
        own = taken | {"url": f"https://north.example/{url}"}
        at = made(ask(NORTH, "POST", kind, own))
        key = at.partition("/")[2]
        assert ask(NORTH_TOO, "POST", kind, own | {"version": "10"}).status == 201
        assert ask(SOUTH, "POST", kind, own | {"version": "11"}).status == 403
        assert ask(NORTH, "PUT", at, taken | {"id": key}).status == 403
        assert ask(NORTH, "PUT", at, own | {"id": key, "language": "de"}).status == 200


def made(told: Told) -> str:
    """`Type/id` of what was created."""
    assert told.status == 201, told.body
    return told.headers["location"].partition("/fhir/")[2].partition("/_history")[0]


@pytest.mark.parametrize("kind", ["Practitioner", "Location", "Device"])
def test_who_made_it_changes_it_and_so_does_who_has_the_same_ties(ask: Asking, kind: str) -> None:
    at = made(ask(NORTH, "POST", kind, of(kind)))
    key = at.partition("/")[2]
    for caller, status in (
        (NORTH, 200),
        (NORTH_TOO, 200),
        (BOTH, 200),
        (ANONYMOUS, 200),
        (SOUTH, 403),
        (NORTH_TEAM, 403),
        (NORTH_ONE, 403),
    ):
        told = ask(caller, "PUT", at, of(kind, key, language="de"))
        assert told.status == status, (caller.name, told.body)
        assert ask(caller, "GET", at).status == 200
    # What is made for two is kept by both together, not by one of them.
    at = made(ask(BOTH, "POST", kind, of(kind)))
    for caller, status in ((NORTH, 403), (SOUTH, 403), (BOTH, 204)):
        assert ask(caller, "DELETE", at).status == status
    # Without a tie it is the caller itself.
    at = made(ask(NORTH_ONE, "POST", kind, of(kind)))
    twin = Caller("another", ALL, clients=frozenset({"north"}))
    for caller, status in ((twin, 403), (NORTH_ONE, 204)):
        assert ask(caller, "DELETE", at).status == status


def test_an_attachment_that_nobody_leads_to_is_of_who_made_it(ask: Asking) -> None:
    at = made(ask(NORTH, "POST", "Binary", binary()))
    for caller, status in (
        (NORTH, 200),
        (NORTH_TOO, 200),
        (BOTH, 200),
        (ANONYMOUS, 200),
        (SOUTH, 404),
        (NORTH_ONE, 404),
        (NORTH_TEAM, 404),
    ):
        assert ask(caller, "GET", at).status == status, caller.name
        if caller is not ANONYMOUS:
            whose = "Patient/south" if caller is SOUTH else "Patient/north"
            told = ask(caller, "POST", "DocumentReference", document(whose, at))
            assert told.status == (201 if status == 200 else 403), caller.name
            if status == 200:
                assert ask(caller, "DELETE", made(told)).status == 204
    # Once it is led to, it is of the client's clinic; not of a maker whose client it is not.
    assert ask(ANONYMOUS, "POST", "DocumentReference", document("Patient/south", at)).status == 201
    for caller, status in ((NORTH, 404), (NORTH_TOO, 404), (SOUTH, 200), (BOTH, 200)):
        assert ask(caller, "GET", at).status == status, caller.name


def test_two_documents_of_one_request_do_not_vouch_for_each_other(ask: Asking) -> None:
    entries = [
        {
            "resource": document("Patient/north", "Binary/loose"),
            "request": {"method": "POST", "url": "DocumentReference"},
        }
        for _ in range(2)
    ]
    change = {"resource": document("Patient/north", "Binary/loose", "north-document")}
    change["request"] = {"method": "PUT", "url": "DocumentReference/north-document"}
    for some in (entries, [change, entries[0]]):
        bundle = {"resourceType": "Bundle", "type": "transaction", "entry": some}
        assert ask(NORTH, "POST", "", bundle).status == 403
    assert ask(NORTH, "GET", "Binary/loose").status == 404


def test_a_document_keeps_what_it_led_to_and_others_may_lead_there_too(ask: Asking) -> None:
    """The scan was stored by somebody who sees everything: nobody tied is its keeper."""
    kept_on = document("Patient/north", "Binary/north-scan", "north-document")
    at = "DocumentReference/north-document"
    for more in ({"description": "a"}, {"description": "b"}):
        assert ask(NORTH, "PUT", at, kept_on | more).status == 200
    second = made(
        ask(NORTH, "POST", "DocumentReference", document("Patient/north", "Binary/north-scan"))
    )
    assert ask(NORTH, "DELETE", second).status == 204
    assert ask(NORTH, "GET", "Binary/north-scan").status == 200


def test_a_security_context_is_honoured(ask: Asking) -> None:
    """R4, Binary.securityContext: guarded as if it were that resource."""
    for caller, status in ((NORTH, 200), (NORTH_ONE, 200), (SOUTH, 404), (ANONYMOUS, 200)):
        assert ask(caller, "GET", "Binary/north-guarded").status == status
        assert ask(caller, "GET", "Binary/north-guarded/_history/1").status == status
    led = document("Patient/south", "Binary/north-guarded")
    assert ask(ANONYMOUS, "POST", "DocumentReference", led).status == 201
    assert ask(SOUTH, "GET", "Binary/north-guarded").status == 404


def test_the_glass_is_broken_for_reading_alone(ask: Asking) -> None:
    person = Caller(
        "p", frozenset({"user/*.cruds"}), tied=frozenset({"CareTeam/north-team"}), kind="person",
        purpose="emergency",
    )  # fmt: skip
    before = kept(ask)
    assert ask(person, "GET", "Patient/south").status == 200
    for road, way in itertools.product(ROADS.values(), range(4)):
        _, method, address, body, headers = list(ways(road))[way]
        if road["id"] in ("t", "l", "p", "x", "ours"):
            continue
        ask(person, method, address, body, **headers)
    assert kept(ask) == before
