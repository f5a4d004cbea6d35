"""Attacks that once got through, or that somebody will try: each asks as a caller would.

OWASP API Security Top 10 (2023): API1 (broken object level authorization), API3 (broken object
property level authorization), API8 (a fault instead of a refusal).
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import pytest
from joserfc.jws import serialize_compact

from service.access.opening import Access
from service.access.refusals import InvalidClient
from service.caller import ANONYMOUS, Caller
from service.store.store import Store
from tests.access.asking import Asking, Told, asking
from tests.access.integrators import TOKEN, Clock, Integrator
from tests.access.integrators import asking as form
from tests.factories.clinical import observation, patient

ALL = frozenset({"system/*.cruds"})
NORTH = Caller("north", ALL, tied=frozenset({"Organization/north"}))
SOUTH = Caller("south", ALL, tied=frozenset({"Organization/south"}))
JSON_PATCH = {"content_type": "application/json-patch+json"}


@pytest.fixture
def ask(store: Store) -> Iterator[Asking]:
    """A store with a client of each of two clinics, and a scan of the southern one."""
    with asking(store) as ask:
        for at in ("north", "south"):
            client = patient(at, managingOrganization={"reference": f"Organization/{at}"})
            assert ask(ANONYMOUS, "PUT", f"Patient/{at}", client).status == 201
        assert ask(ANONYMOUS, "PUT", "Binary/scan", binary("scan")).status == 201
        led = document("south", "Binary/scan") | {"id": "led"}
        assert ask(ANONYMOUS, "PUT", "DocumentReference/led", led).status == 201
        yield ask


def binary(key: str | None = None) -> dict[str, Any]:
    made = {"resourceType": "Binary", "contentType": "text/plain", "data": "eA=="}
    return made | ({"id": key} if key else {})


def document(client: str, url: str) -> dict[str, Any]:
    return {
        "resourceType": "DocumentReference",
        "status": "current",
        "subject": {"reference": f"Patient/{client}"},
        "content": [{"attachment": {"url": url}}],
    }


def entry(resource: dict[str, Any], **more: Any) -> dict[str, Any]:
    request = {"method": "POST", "url": resource["resourceType"]}
    return {"resource": resource, "request": request} | more


def location(told: Told) -> str:
    """`Type/id` of what was created."""
    assert told.status == 201, told.body
    return told.headers["location"].partition("/fhir/")[2].partition("/_history")[0]


def test_nobody_gets_an_attachment_of_another_by_leading_to_it(ask: Asking) -> None:
    """API1: a Binary is seen through what leads to it, so leading to it must be one's right."""
    refused = ask(NORTH, "POST", "DocumentReference", document("north", "Binary/scan"))
    absent = ask(NORTH, "POST", "DocumentReference", document("north", "Binary/absent"))
    assert (refused.status, refused.body) == (absent.status, absent.body)
    assert refused.status == 403
    own = location(ask(NORTH, "POST", "Binary", binary()))
    mine = location(ask(NORTH, "POST", "DocumentReference", document("north", own)))
    at = "/content/0/attachment/url"
    change = [{"op": "replace", "path": at, "value": "Binary/scan"}]
    assert ask(NORTH, "PATCH", mine, change, **JSON_PATCH).status == 403
    bundle = {"resourceType": "Bundle", "type": "transaction"}
    taking = bundle | {"entry": [entry(document("north", "Binary/scan"))]}
    assert ask(NORTH, "POST", "", taking).status == 403
    assert ask(NORTH, "GET", "Binary/scan").status == 404
    assert ask(NORTH, "PUT", "Binary/scan", binary("scan")).status == 404
    assert ask(SOUTH, "GET", "Binary/scan").status == 200


def test_ones_own_attachments_are_led_to(ask: Asking) -> None:
    own = location(ask(NORTH, "POST", "Binary", binary()))
    for _ in range(2):
        location(ask(NORTH, "POST", "DocumentReference", document("north", own)))
    assert ask(NORTH, "GET", own).status == 200
    assert ask(SOUTH, "GET", own).status == 404
    name = "urn:uuid:0b35f5a0-2c0f-4a55-9d4b-6f3c3a7b9d10"
    both = [entry(document("north", name)), entry(binary(), fullUrl=name)]
    together = {"resourceType": "Bundle", "type": "transaction", "entry": both}
    assert ask(NORTH, "POST", "", together).status == 200
    elsewhere = document("north", "https://elsewhere.example/Binary/scan")
    assert ask(NORTH, "POST", "DocumentReference", elsewhere).status == 201


@pytest.mark.parametrize("of", ["Observation", "*"])
def test_a_refused_patch_quotes_nothing_to_who_may_not_read(ask: Asking, of: str) -> None:
    """API3: what is moved to where it does not fit would be told by the refusal."""
    note = observation("o", "Patient/north", note=[{"text": "a secret"}])
    assert ask(ANONYMOUS, "PUT", "Observation/o", note).status == 201
    writer = Caller("w", frozenset({f"system/{of}.cud"}))
    reader = Caller("r", frozenset({f"system/{of}.cruds"}))
    moved = [{"op": "copy", "from": "/note/0/text", "path": "/status"}]
    told = ask(reader, "PATCH", "Observation/o", moved, **JSON_PATCH)
    assert (told.status, b"a secret" in told.body) == (422, True)
    told = ask(writer, "PATCH", "Observation/o", moved, **JSON_PATCH)
    assert (told.status, b"a secret" in told.body) == (422, False)
    request = {"method": "PATCH", "url": "Observation/o"}
    data = {"resourceType": "Binary", "contentType": JSON_PATCH["content_type"]}
    data["data"] = "W3sib3AiOiJjb3B5IiwiZnJvbSI6Ii9ub3RlLzAvdGV4dCIsInBhdGgiOiIvc3RhdHVzIn1d"
    bundle = {"resourceType": "Bundle", "entry": [{"resource": data, "request": request}]}
    for kind in ("batch", "transaction"):
        told = ask(writer, "POST", "", bundle | {"type": kind})
        assert b"a secret" not in told.body
        assert b"422" in told.body or told.status == 422


def test_what_a_resource_was_before_it_came_into_the_scope_is_not_seen(ask: Asking) -> None:
    """API1: whoever sees one code only may not see what had another when it was written."""
    quiet = observation("o", "Patient/north", code="quiet", note=[{"text": "a secret"}])
    for body in (quiet, observation("o", "Patient/north", code="loud")):
        assert ask(ANONYMOUS, "PUT", "Observation/o", body).status in (200, 201)
    only = Caller("loud", frozenset({"system/Observation.rs?code=loud", "system/Patient.rs"}))
    for address in ("Observation/o/_history", "Observation/_history", "_history?_count=50"):
        told = ask(only, "GET", address)
        assert (told.status, b"a secret" in told.body) == (200, False), address
        assert told.body.count(b'"id":"o"') == 1
    assert ask(only, "GET", "Observation/o/_history").json()["total"] == 1
    assert ask(only, "GET", "Observation/o/_history/2").status == 200
    earlier = ask(only, "GET", "Observation/o/_history/1")
    absent = ask(only, "GET", "Observation/o/_history/9")
    assert (earlier.status, absent.status) == (404, 404)
    assert earlier.body.replace(b"/1", b"/9") == absent.body
    assert ask(ANONYMOUS, "GET", "Observation/o/_history").json()["total"] == 2


def test_an_export_holds_nothing_that_was_out_of_the_scope_then(ask: Asking) -> None:
    """The same in an export, whose time is the kick-off, of what is changed before it is listed."""
    before = observation("o", "Patient/north", code="quiet", note=[{"text": "a secret"}])
    assert ask(ANONYMOUS, "PUT", "Observation/o", before).status == 201
    assert ask(ANONYMOUS, "PUT", "Observation/p", observation("p", code="loud")).status == 201
    only = Caller("loud", frozenset({"system/Observation.rs?code=loud"}))
    at = ask(only, "GET", "$export").headers["content-location"]
    for key, code in (("o", "loud"), ("p", "loud")):
        assert (
            ask(ANONYMOUS, "PUT", f"Observation/{key}", observation(key, code=code)).status == 200
        )
    output = ask(only, "GET", at).json()["output"]
    assert [each["count"] for each in output] == [1]
    told = ask(only, "GET", output[0]["url"])
    assert told.status == 200
    assert b'"id":"p"' in told.body
    assert b"a secret" not in told.body


@pytest.mark.parametrize("claim", ["iss", "jti"])
def test_half_a_character_in_an_assertion_is_refused(
    access: Access, clock: Clock, lakeside: Integrator, claim: str
) -> None:
    """API8: JSON may have a lone surrogate (RFC 8259, section 8.2); no database takes it."""
    head = {"alg": "ES384", "typ": "JWT", "kid": lakeside.key.kid}
    told = {"iss": "lakeside", "aud": TOKEN, "exp": int(clock()) + 60, "jti": "n"}
    told |= {claim: "\ud800"}
    told["sub"] = told["iss"]
    text = serialize_compact(head, json.dumps(told).encode(), lakeside.key, ["ES384"])
    with pytest.raises(InvalidClient):
        access.systems.token(form(text))
