"""Does a store that holds two clinics answer each as if it held that clinic alone?

A caller of the north asks a store with both clinics and one that has never heard of the south;
every answer must be the same: status, headers, body, totals and pages. So nothing of the south can
be seen or inferred. Four ways of being tied to the same clients.
"""

from __future__ import annotations

import itertools
import json
import re
from collections.abc import Iterator
from typing import Any

import pytest

from service.caller import Caller
from service.rest import writing
from service.store.store import Store
from tests.access.asking import Asking, Told, asking
from tests.contract.two_clinics import care_plan, fill, names, observation, patient, ref
from tests.contract.two_clinics import steps as all_steps
from tests.contract.two_clinics_asked import SEARCHES

ALL = frozenset({"system/*.cruds"})
CALLERS = {
    "organization": Caller("n", ALL, tied=frozenset({"Organization/north"})),
    "practitioner": Caller("n", ALL, tied=frozenset({"Practitioner/north-doc"})),
    "teams": Caller("n", ALL, tied=frozenset(f"CareTeam/north-team{n}" for n in range(4))),
    "clients": Caller("n", ALL, frozenset(f"north-p{n}" for n in range(4))),
    "mixed": Caller(
        "n",
        ALL,
        frozenset({"north-p0", "north-p3"}),
        frozenset({"CareTeam/north-team1", "CareTeam/north-team2"}),
    ),
}
_KEPT = ("etag", "last-modified", "location", "www-authenticate", "hyoid-cautions")
_PLACE = re.compile(r"(_cursor|_page)=[^&\"]+")
_NOW = re.compile(
    r"\"(?:lastUpdated|issued|date|timestamp|recorded|authoredOn|lastModified)\":\"[^\"]+\"|[0-9a-f-]{36}"
)
_MOVING = (
    "$progress",
    "$extract",
    "$expand",
    "$summary",
    "$document",
    "$derive",
    "$apply",
    "transaction",
)
"""What tells times and ids of the moment."""
_MOST_PAGES = 12


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def pair(request: pytest.FixtureRequest, module_store: Any) -> Iterator[tuple[Asking, Asking]]:
    """The store of both clinics, and that of the north alone."""
    mixed: Store = module_store(request.param)
    alone: Store = module_store(request.param)
    fill(mixed, ("both", "north", "south"))
    fill(alone, ("both", "north"))
    with asking(mixed) as one, asking(alone) as other:
        yield one, other


def shown(told: Told, *, moving: bool = False) -> Any:
    """What is compared. `moving`: times and ids of the moment are left out."""
    headers = {name: value for name, value in told.headers.items() if name in _KEPT}
    if moving:
        headers.pop("last-modified", None)
    text = _PLACE.sub(r"\1=*", told.body.decode())
    return told.status, headers, _NOW.sub("*", text) if moving else text


def following(one: Told, other: Told) -> tuple[str, str] | None:
    """The next page of each."""
    if not one.body.startswith(b'{"resourceType":"Bundle"'):
        return None
    links = [
        next((x["url"] for x in told.json().get("link", ()) if x["relation"] == "next"), None)
        for told in (one, other)
    ]
    return (links[0], links[1]) if links[0] and links[1] else None


def compare(pair: tuple[Asking, Asking], caller: Caller, address: str) -> int:
    """Ask both, page by page; gives how many resources were told."""
    addresses = (address, address)
    some = 0
    for _ in range(_MOST_PAGES):
        told = [ask(caller, "GET", at) for ask, at in zip(pair, addresses, strict=True)]
        moving = any(name in address for name in _MOVING)
        assert shown(told[0], moving=moving) == shown(told[1], moving=moving), address
        assert told[0].status < 500, address
        assert b"south-p" not in told[0].body or "south-p" in address, address
        some += told[0].body.count(b'"fullUrl"')
        further = following(*told)
        if further is None:
            break
        addresses = further
    return some


@pytest.mark.parametrize("name", CALLERS)
def test_every_search_is_answered_as_if_the_other_clinic_were_not_there(
    pair: tuple[Asking, Asking], name: str
) -> None:
    found = [compare(pair, CALLERS[name], address) for address in SEARCHES]
    assert sum(map(bool, found)) > 70


@pytest.mark.parametrize(
    ("pair", "name"),
    [*(("sqlite", name) for name in CALLERS), ("postgresql", "mixed")],
    indirect=["pair"],
)
def test_every_read_is_answered_as_if_the_other_clinic_were_not_there(
    pair: tuple[Asking, Asking], name: str
) -> None:
    caller, ask = CALLERS[name], pair[0]
    for at in names():
        for path in (at, f"{at}/_history", f"{at}/_history/1", f"{at}/_history/2"):
            compare(pair, caller, path)
        for headers in ({"if_none_match": 'W/"1"'}, {"if_modified_since": "Tue, 1 Jan 2030"}):
            told = [each(caller, "HEAD", at, **headers) for each in pair]
            assert shown(told[0]) == shown(told[1]), at
        theirs = "/south-" in at and not at.startswith(("Organization/", "Practitioner/"))
        if theirs:
            told_of = ask(caller, "GET", at)
            absent = ask(caller, "GET", f"{at.partition('/')[0]}/absent")
            text = told_of.body.decode().replace(at.partition("/")[2], "absent")
            assert (told_of.status, text) == (404, absent.body.decode())


def test_the_north_sees_all_of_its_own(pair: tuple[Asking, Asking]) -> None:
    """Else the answers might be the same because there are none."""
    gone = {f"{r['resourceType']}/{r['id']}" for _, r, deleted in all_steps() if deleted}
    for name, caller in CALLERS.items():
        for of, resource, _ in all_steps():
            at = f"{resource['resourceType']}/{resource['id']}"
            if of != "south":
                expected = 410 if at in gone else 200
                assert pair[0](caller, "GET", at).status == expected, (name, at)


def test_a_link_to_a_page_that_another_caller_was_given_shows_own_things_only(
    pair: tuple[Asking, Asking],
) -> None:
    everybody = Caller("all", ALL)
    for address in ("Observation?_count=4", "_history?_count=4", "Observation?_count=4&_sort=date"):
        url: str | None = address
        for _ in range(6):
            assert url is not None
            whole = pair[0](everybody, "GET", url)
            mine = pair[0](CALLERS["organization"], "GET", url)
            assert b"south-p" in whole.body
            assert mine.status == 200
            assert b"south-p" not in mine.body
            url = next((x["url"] for x in whole.json()["link"] if x["relation"] == "next"), None)
            if url is None:
                break


def entry(method: str, url: str, resource: Any = None, **more: str) -> dict[str, Any]:
    found: dict[str, Any] = {"request": {"method": method, "url": url, **more}}
    return found | ({"resource": resource} if resource else {})


def bundle(kind: str, *entries: dict[str, Any]) -> dict[str, Any]:
    return {"resourceType": "Bundle", "type": kind, "entry": list(entries)}


def writes() -> Iterator[tuple[str, str, Any, dict[str, str]]]:
    """Method, address, body and headers."""
    own, theirs, nobody = "Patient/north-p0", "Patient/south-p0", "Patient/absent"
    rename = [{"op": "replace", "path": "/status", "value": "amended"}]
    json_patch = {"content_type": "application/json-patch+json"}
    for key in ("south-p0-o0", "south-p2-o2", "absent", "north-p0-o0", "north-p2-o2"):
        at = f"Observation/{key}"
        yield "PATCH", at, rename, json_patch
        yield "PATCH", at, rename, json_patch | {"if_match": 'W/"1"'}
        for subject in (own, theirs, nobody):
            yield "PUT", at, observation(key, subject), {}
            yield "PUT", at, observation(key, subject), {"if_match": 'W/"1"'}
            yield "PUT", at, observation(key, subject), {"if_none_match": "*"}
        yield "DELETE", at, None, {"if_match": 'W/"9"'}
    for key in ("south-p0-o1", "absent", "south-p1-goal"):
        yield "DELETE", f"Observation/{key}", None, {}
        yield "DELETE", f"Goal/{key}", None, {}
        yield "DELETE", f"Observation?_id={key}", None, {}
        yield "PATCH", f"Observation?_id={key}", rename, json_patch
        yield "PUT", f"Observation?_id={key}", observation(patient=own), {}
        yield "POST", "Observation", observation(patient=own), {"if_none_exist": f"_id={key}"}
    for subject in (own, theirs, nobody):
        yield "POST", "Observation", observation(patient=subject), {}
        note = {"text": "x", "authorReference": ref(subject)}
        yield "POST", "Observation", observation(patient=own, note=[note]), {}
        yield "POST", "Observation", observation(patient=own, performer=[ref(subject)]), {}
        yield "POST", "CarePlan", care_plan(patient=subject), {"prefer": "return=OperationOutcome"}
        yield "POST", "CarePlan/$validate", care_plan(patient=subject), {}
        yield "POST", "Group", {
            "resourceType": "Group", "type": "person", "actual": True,
            "member": [{"entity": ref(own)}, {"entity": ref(subject)}],
        }, {}  # fmt: skip
    identifier = "identifier=https://clinic.example/obs|v"
    yield "PUT", f"Observation?{identifier}-0-1", observation(patient=own), {}
    yield "POST", "Observation", observation(patient=own), {"if_none_exist": f"{identifier}-3-0"}
    yield "PATCH", f"Observation?{identifier}-3-1", rename, json_patch
    yield "DELETE", f"Observation?{identifier}-3-2", None, {}
    yield "DELETE", "Observation?patient=south-p0&code=m1", None, {}
    yield "PUT", "Patient?identifier=c-1", patient(managingOrganization=ref("Organization/x")), {}
    for place in ("Organization/north", "Organization/south", "Organization/absent"):
        yield "POST", "Patient", patient(managingOrganization=ref(place)), {}
        yield "PUT", "Patient/north-p1", patient("north-p1", managingOrganization=ref(place)), {}
        yield "PUT", "Patient/south-p1", patient("south-p1", managingOrganization=ref(place)), {}
    yield "POST", "Observation", {
        "resourceType": "Observation", "status": "final", "code": {"text": "of nobody"}
    }, {}  # fmt: skip
    for target in ("Observation/north-p0-o1", "Observation/south-p0-o1", "Observation/absent"):
        yield "POST", "Provenance", {
            "resourceType": "Provenance", "target": [ref(target)],
            "recorded": "2026-03-10T10:00:00Z", "agent": [{"who": ref("Practitioner/visitor")}],
        }, {}  # fmt: skip
    for search in (
        "identifier=c-0",
        "_id=south-p0",
        "_id=absent",
        "organization=Organization/south",
    ):
        made = observation(patient=f"Patient?{search}")
        yield "POST", "", bundle("transaction", entry("POST", "Observation", made)), {}
    for at in ("Patient/south-p0", "Patient/absent", "Observation/south-p0-o0/_history/1"):
        yield "POST", "", bundle("transaction", entry("GET", at)), {}
        yield "POST", "", bundle("batch", entry("GET", at), entry("DELETE", at[:40])), {}
    for key in ("south-p0-o0", "absent"):
        made = observation(key, own)
        put = entry("PUT", f"Observation/{key}", made)
        yield "POST", "", bundle("transaction", put), {}
        yield "POST", "", bundle("transaction", entry("DELETE", f"Observation/{key}")), {}
        yield "POST", "", bundle("batch", put, entry("GET", f"Observation/{key}")), {}
        exists = entry("POST", "Observation", observation(patient=own), ifNoneExist=f"_id={key}")
        yield "POST", "", bundle("transaction", exists), {}
    new = entry("POST", "Patient", patient())
    new["fullUrl"] = "urn:uuid:0b35f5a0-2c0f-4a55-9d4b-6f3c3a7b9d10"
    team = {
        "resourceType": "CareTeam", "status": "active", "subject": ref(new["fullUrl"]),
        "participant": [{"member": ref("Practitioner/north-doc")}],
    }  # fmt: skip
    yield "POST", "", bundle("transaction", new), {}
    yield "POST", "", bundle("transaction", new, entry("POST", "CareTeam", team)), {}
    for key in ("north-p1-answers", "south-p0-answers"):
        yield "POST", f"QuestionnaireResponse/{key}/$extract?store=true", None, {}


@pytest.mark.parametrize("name", CALLERS)
def test_every_write_is_answered_as_if_the_other_clinic_were_not_there(
    request: pytest.FixtureRequest, module_store: Any, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    for engine in ("sqlite", "postgresql"):
        mixed, alone = module_store(engine), module_store(engine)
        fill(mixed, ("both", "north", "south"))
        fill(alone, ("both", "north"))
        before = south_of(mixed)
        with asking(mixed) as one, asking(alone) as other:
            statuses = set()
            for number, (method, address, body, headers) in enumerate(writes()):
                told = []
                for ask in (one, other):
                    ids = (f"new-{number}-{count}" for count in itertools.count())
                    monkeypatch.setattr(writing, "new_id", lambda ids=ids: next(ids))
                    told.append(ask(CALLERS[name], method, address, body, **headers))
                where = (method, address, json.dumps(body), headers)
                assert shown(told[0], moving=True) == shown(told[1], moving=True), where
                statuses.add(told[0].status)
            assert statuses >= {200, 201, 204, 403, 404, 412}
            for address in SEARCHES:
                told = [ask(CALLERS[name], "GET", address) for ask in (one, other)]
                assert shown(told[0], moving=True) == shown(told[1], moving=True), address
        assert south_of(mixed) == before


def south_of(store: Store) -> list[Any]:
    """All that there is of the south."""
    with store.reader() as connection:
        return connection.rows(
            "SELECT r.type, r.id, v.vid, v.body FROM resource r JOIN version v ON v.rid = r.rid"
            " WHERE r.id LIKE 'south%' ORDER BY v.seq"
        )
