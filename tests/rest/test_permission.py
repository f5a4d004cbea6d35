"""Which letters does each interaction need? Every subset of them against every interaction.

The oracle is the table of SMART App Launch 2.2, "Scopes for requesting FHIR resources": c create,
r read, vread and history of an instance, u update and patch, d delete, s search and history of a
type or the system. Beyond it: what is conditional searches, so it needs s; an update that creates
needs c as well.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from typing import Any

import pytest

from service.caller import ANONYMOUS, Caller
from service.rest.interactions import INTERACTIONS
from service.rest.operations import OPERATIONS
from service.rest.permission import NEEDS
from service.store.store import Store
from tests.access.asking import Asking, asking
from tests.factories.clinical import observation, patient

LETTERS = ["".join(s) for size in range(6) for s in itertools.combinations("cruds", size)]
MADE = {"n": 0}


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def ask(request: pytest.FixtureRequest, module_store: Any) -> Iterator[Asking]:
    store: Store = module_store(request.param)
    with asking(store) as asker:
        asker(ANONYMOUS, "PUT", "Patient/p1", patient("p1"))
        yield asker


def fresh(ask: Asking, **more: Any) -> str:
    """The id of an Observation that is there."""
    MADE["n"] += 1
    key = f"o-{MADE['n']}"
    assert ask(ANONYMOUS, "PUT", f"Observation/{key}", observation(key, **more)).status == 201
    return key


PATCH = [{"op": "replace", "path": "/status", "value": "amended"}]
JSON_PATCH = "application/json-patch+json"


def interactions(key: str) -> Iterator[tuple[str, str, str, Any, dict[str, str], str]]:
    """Name, method, address, body, headers and the letters that it needs."""
    at, sent = f"Observation/{key}", observation(key)
    yield "read", "GET", at, None, {}, "r"
    yield "head", "HEAD", at, None, {}, "r"
    yield "vread", "GET", f"{at}/_history/1", None, {}, "r"
    yield "history of it", "GET", f"{at}/_history", None, {}, "r"
    yield "history of the type", "GET", "Observation/_history", None, {}, "s"
    yield "search", "GET", f"Observation?_id={key}", None, {}, "s"
    yield "search by POST", "POST", "Observation/_search", None, {}, "s"
    yield "search in a record", "GET", "Patient/p1/Observation", None, {}, "s"
    yield "last", "GET", "Observation/$lastn?patient=p1&category=therapy", None, {}, "s"
    yield "create", "POST", "Observation", observation(), {}, "c"
    if_none = {"if_none_exist": f"_id={key}"}
    yield "conditional create", "POST", "Observation", observation(), if_none, "cs"
    yield "update", "PUT", at, sent, {}, "u"
    yield "update that creates", "PUT", f"{at}-new", observation(f"{key}-new"), {}, "uc"
    yield "conditional update", "PUT", f"Observation?_id={key}", observation(), {}, "us"
    nothing = "Observation?identifier=nothing"
    yield "conditional update that creates", "PUT", nothing, observation(), {}, "ucs"
    yield "patch", "PATCH", at, PATCH, {"content_type": JSON_PATCH}, "u"
    merge = {"content_type": "application/merge-patch+json"}
    yield "conditional patch", "PATCH", f"Observation?_id={key}", {"status": "final"}, merge, "us"
    yield "validate", "POST", "Observation/$validate", sent, {}, ""
    yield "conditional delete", "DELETE", f"Observation?_id={key}", None, {}, "ds"
    yield "delete", "DELETE", at, None, {}, "d"


def caller(letters: str, kind: str = "Observation", level: str = "system") -> Caller:
    return Caller("c", frozenset({f"{level}/{kind}.{letters}"} if letters else ()))


@pytest.mark.parametrize("letters", LETTERS)
def test_letters_against_interactions(ask: Asking, letters: str) -> None:
    seen = set()
    for number, (name, *_) in enumerate(interactions("")):
        key = fresh(ask)
        _, method, address, body, headers, needs = list(interactions(key))[number]
        before = everything(ask)
        told = ask(caller(letters), method, address, body, **headers)
        allowed = set(needs) <= set(letters)
        seen.add(allowed)
        if allowed:
            assert told.status < 300, (name, letters, told.body)
            continue
        assert told.status == 403, (name, letters, told.body)
        assert told.headers["www-authenticate"] == 'Bearer error="insufficient_scope"'
        if method != "HEAD":
            assert told.json()["issue"][0]["code"] == "forbidden"
        assert everything(ask) == before
    assert True in seen


@pytest.mark.parametrize("kind", ["batch", "transaction"])
@pytest.mark.parametrize("letters", LETTERS)
def test_letters_against_the_entries_of_bundles(ask: Asking, letters: str, kind: str) -> None:
    for number, (name, *_) in enumerate(interactions("")):
        key = fresh(ask)
        _, method, address, body, headers, needs = list(interactions(key))[number]
        if method == "HEAD" or "_search" in address or "$" in address:
            continue
        entry = entry_of(method, address, body, headers)
        bundle = {"resourceType": "Bundle", "type": kind, "entry": [entry]}
        before = everything(ask)
        told = ask(caller(letters), "POST", "", bundle)
        status = told.status
        if kind == "batch":
            assert status == 200
            status = int(told.json()["entry"][0]["response"]["status"][:3])
        if set(needs) <= set(letters):
            assert status < 300, (name, letters, told.body)
        else:
            assert status == 403, (name, letters, told.body)
            assert everything(ask) == before
            if kind == "transaction":
                assert told.json()["issue"][0]["expression"] == ["Bundle.entry[0]"]


def entry_of(method: str, address: str, body: Any, headers: dict[str, str]) -> dict[str, Any]:
    request = {"method": method, "url": address}
    if "if_none_exist" in headers:
        request["ifNoneExist"] = headers["if_none_exist"]
    if isinstance(body, list):
        import base64
        import json

        data = base64.b64encode(json.dumps(body).encode()).decode()
        body = {"resourceType": "Binary", "contentType": JSON_PATCH, "data": data}
    elif body is not None and "resourceType" not in body:
        value = {"name": "value", "valueCode": body["status"]}
        parts = [
            {"name": "type", "valueCode": "replace"},
            {"name": "path", "valueString": "Observation.status"},
            value,
        ]
        body = {"resourceType": "Parameters", "parameter": [{"name": "operation", "part": parts}]}
    return {"request": request} | ({} if body is None else {"resource": body})


def everything(ask: Asking) -> Any:
    """The number of the last change."""
    with ask.store.reader() as connection:
        return connection.row("SELECT seq FROM change_clock WHERE id = 1")


@pytest.mark.parametrize("level", ["system", "user"])
@pytest.mark.parametrize(
    ("scope", "read", "searched", "written"),
    [
        ("*.cruds", 200, 200, 201),
        ("*.rs", 200, 200, 403),
        ("*.read", 200, 200, 403),
        ("*.write", 403, 403, 201),
        ("Observation.read", 200, 200, 403),
        ("Observation.*", 200, 200, 201),
        ("Patient.cruds", 403, 403, 403),
        ("Observation.rs?code=maximum-tongue-pressure", 200, 200, 403),
        ("Observation.rs?code=other", 404, 200, 403),
        ("Observation.crus?code=maximum-tongue-pressure", 200, 200, 201),
        ("Observation.crus?code=other", 404, 200, 403),
        ("Observation.crus?code=other&code=maximum-tongue-pressure", 404, 200, 403),
        ("Observation.crus?code=other,maximum-tongue-pressure&status=final", 200, 200, 201),
    ],
)
def test_wildcards_versions_and_restrictions(
    ask: Asking, level: str, scope: str, read: int, searched: int, written: int
) -> None:
    key = fresh(ask)
    who = Caller("c", frozenset({f"{level}/{scope}"}))
    assert ask(who, "GET", f"Observation/{key}").status == read
    found = ask(who, "GET", f"Observation?_id={key}")
    assert found.status == searched
    if searched == 200:
        assert found.json()["total"] == (read == 200)
    assert ask(who, "POST", "Observation", observation()).status == written


def test_patient_scopes_are_for_one_client(ask: Asking) -> None:
    key, other = fresh(ask), fresh(ask, patient="Patient/p2")
    scopes = frozenset({"patient/*.rs"})
    mine = Caller("c", scopes, frozenset({"p1"}))
    assert ask(mine, "GET", f"Observation/{key}").status == 200
    assert ask(mine, "GET", f"Observation/{other}").status == 404
    for nobody in (Caller("c", scopes), Caller("c", scopes, frozenset({"p1", "p2"}))):
        assert ask(nobody, "GET", f"Observation/{key}").status == 403


def test_a_restriction_holds_for_old_and_new_content(ask: Asking) -> None:
    loud = observation(code="loud")
    who = Caller("c", frozenset({"system/Observation.cruds?code=loud", "system/Patient.r"}))
    made = ask(who, "POST", "Observation", loud)
    key = made.json()["id"]
    quiet = fresh(ask, code="quiet")
    for at, code, status in ((key, "loud", 200), (key, "quiet", 403), (quiet, "loud", 403)):
        told = ask(who, "PUT", f"Observation/{at}", observation(at, code=code))
        assert told.status == (404 if (at, code) == (quiet, "loud") else status), told.body
    before = everything(ask)
    assert ask(who, "DELETE", f"Observation/{quiet}").status == 204
    assert everything(ask) == before
    patch = [{"op": "replace", "path": "/code/coding/0/code", "value": "quiet"}]
    told = ask(who, "PATCH", f"Observation/{key}", patch, content_type=JSON_PATCH)
    assert told.status == 403
    entries = [
        {"request": {"method": "POST", "url": "Observation"}, "resource": loud},
        {"request": {"method": "POST", "url": "Observation"}, "resource": observation(code="q")},
    ]
    bundle = {"resourceType": "Bundle", "type": "transaction", "entry": entries}
    told = ask(who, "POST", "", bundle)
    assert told.status == 403
    assert told.json()["issue"][0]["expression"] == ["Bundle.entry[1]"]
    assert everything(ask) == before
    for address in ("Observation", "Observation?_sort=-date", "Observation/_history", "_history"):
        assert b'"quiet"' not in ask(who, "GET", f"{address}?_count=500".replace("?_s", "&_s")).body
    assert b'"loud"' in ask(who, "GET", "Observation").body


def test_what_is_written_is_told_back_only_to_who_may_read_it(ask: Asking) -> None:
    key = fresh(ask)
    for scopes, told_back in (
        ({"system/Observation.cu"}, False),
        ({"system/Observation.cru"}, True),
        ({"system/Observation.cu", "system/Observation.r?code=other"}, False),
        ({"system/Observation.cru?code=maximum-tongue-pressure"}, True),
    ):
        who = Caller("c", frozenset(scopes))
        patch = ask(who, "PATCH", f"Observation/{key}", PATCH, content_type=JSON_PATCH)
        assert patch.status == 200
        assert (b"valueQuantity" in patch.body) is told_back
        made = ask(who, "POST", "Observation", observation())
        assert made.status == 201
        assert (b"valueQuantity" in made.body) is told_back


def _fhirpath(path: str) -> dict[str, Any]:
    """A FHIRPath Patch that leaves all as it is."""
    told = {"type": "replace", "path": path}
    part: list[dict[str, Any]] = [{"name": n, "valueString": v} for n, v in told.items()]
    part.append({"name": "value", "valueCode": "final"})
    return {"resourceType": "Parameters", "parameter": [{"name": "operation", "part": part}]}


@pytest.mark.parametrize("scopes", ["cu", "cu r?code=other"])
@pytest.mark.parametrize(
    ("patch", "asks"),
    [
        ([{"op": "test", "path": "/valueQuantity/value", "value": 21.5}], "patch[0]"),
        ([{"op": "test", "path": "/valueQuantity/value", "value": 20}], "patch[0]"),
        ([*PATCH, {"op": "test", "path": "/status", "value": "x"}], "patch[1]"),
        (PATCH, ""),
        ([{"op": "remove", "path": "/valueQuantity/unit"}], ""),
        ([{"op": "add", "path": "/method", "value": {"text": "twice"}}], ""),
        (_fhirpath("Observation.status.where(%resource.value.value = 21.5)"), "parameter[0]"),
        (_fhirpath("Observation.status.where(%resource.value.value = 20)"), "parameter[0]"),
        (_fhirpath("Observation.where(status = 'final').status"), "parameter[0]"),
        (_fhirpath("Observation.code.extension('http://a.example').value"), "parameter[0]"),
        (_fhirpath("Observation.status"), ""),
        (_fhirpath("%resource.status"), ""),
    ],
)
def test_a_patch_asks_nothing_of_who_may_not_read(
    patch: Any, asks: str, scopes: str, ask: Asking
) -> None:
    """Else it would be read by guessing: 200 or 422."""
    key = fresh(ask)
    who = Caller("c", frozenset(f"system/Observation.{each}" for each in scopes.split()))
    kind = JSON_PATCH if isinstance(patch, list) else "application/fhir+json"
    before = everything(ask)
    told = ask(who, "PATCH", f"Observation/{key}", patch, content_type=kind)
    if not asks:
        assert told.status == 200
        return
    assert told.status == 403
    assert "insufficient_scope" in told.headers["www-authenticate"]
    issue = told.json()["issue"][0]
    assert "'r' for this Observation" in issue["details"]["text"]
    assert asks in str(issue.get("location") or issue.get("expression"))
    if isinstance(patch, dict):
        entry = {"request": {"method": "PATCH", "url": f"Observation/{key}"}, "resource": patch}
        bundle = {"resourceType": "Bundle", "type": "transaction", "entry": [entry]}
        assert ask(who, "POST", "", bundle).status == 403
    assert everything(ask) == before
    # Who may read this one may ask.
    for reading in ("r", "r?code=maximum-tongue-pressure"):
        may = Caller("c", who.scopes | {f"system/Observation.{reading}"})
        told = ask(may, "PATCH", f"Observation/{key}", patch, content_type=kind)
        assert told.status in (200, 422)


def test_what_comes_along_is_what_the_scopes_reach(ask: Asking) -> None:
    key = fresh(ask, patient="Patient/p1")
    provenance = {
        "resourceType": "Provenance",
        "target": [{"reference": f"Observation/{key}"}],
        "recorded": "2026-03-10T10:00:00Z",
        "agent": [{"who": {"display": "x"}}],
    }
    assert ask(ANONYMOUS, "POST", "Provenance", provenance).status == 201
    only = Caller("c", frozenset({"system/Observation.rs"}))
    both = Caller("c", frozenset({"system/Observation.rs", "system/Patient.s?family=Sandberg"}))
    wide = Caller("c", frozenset({"system/*.rs"}))
    asked = f"Observation?_id={key}&_include=Observation:subject&_revinclude=Provenance:target"
    for who, types in (
        (only, ["Observation"]),
        (both, ["Observation", "Patient"]),
        (wide, ["Observation", "Patient", "Provenance"]),
    ):
        found = ask(who, "GET", asked).json()["entry"]
        # The writes themselves left a Provenance besides.
        assert sorted({e["resource"]["resourceType"] for e in found}) == types
    for condition in ("subject:Patient.family=Sandberg", "_has:Provenance:target:_id:not=x"):
        for who in (only, wide):
            query = f"Observation?_id={key}&{condition}&_summary=count"
            told = ask(who, "GET", query.replace("_id:not=x", "recorded=2026-03-10"))
            assert told.json()["total"] == (who is wide), (condition, told.body)


def test_the_whole_record_is_what_the_scopes_reach(ask: Asking) -> None:
    fresh(ask)
    who = Caller("c", frozenset({"system/Patient.rs", "system/Observation.rs?code=nothing"}))
    told = ask(who, "GET", "Patient/p1/$everything").json()
    assert [e["resource"]["resourceType"] for e in told["entry"]] == ["Patient"]
    assert told["total"] == 1
    none = Caller("c", frozenset({"system/Observation.rs"}))
    assert ask(none, "GET", "Patient/p1/$everything").status == 403


def test_searches_of_everything_leave_out_what_is_not_allowed(ask: Asking) -> None:
    key = fresh(ask)
    who = Caller("c", frozenset({"system/Observation.s"}))
    found = ask(who, "GET", f"?_id={key},p1").json()
    assert [e["resource"]["id"] for e in found["entry"]] == [key]
    found = ask(who, "GET", "Patient/p1/*?_count=500").json()
    assert {e["resource"]["resourceType"] for e in found["entry"]} == {"Observation"}
    found = ask(who, "GET", "_history?_count=500").json()
    assert {e["request"]["url"].split("/")[0] for e in found["entry"]} == {"Observation"}
    assert ask(Caller("c", frozenset({"system/Patient.r"})), "GET", "?_id=p1").status == 403


def test_who_has_no_scope_may_do_nothing_but_ask_what_there_is(ask: Asking) -> None:
    nobody = Caller("c")
    key = fresh(ask)
    assert ask(nobody, "GET", "metadata").status == 200
    for _, method, address, body, headers, needs in interactions(key):
        if needs:
            assert ask(nobody, method, address, body, **headers).status == 403


def test_every_interaction_and_operation_has_its_needs() -> None:
    assert set(NEEDS) == set(INTERACTIONS)
    for operation in OPERATIONS.values():
        assert set(operation.needs) <= set("cruds")
    free = {o.name for o in OPERATIONS.values() if not o.needs}
    assert free <= {"validate", "expand", "validate-code", "lookup", "subsumes", "translate"}
