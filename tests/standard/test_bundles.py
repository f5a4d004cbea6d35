"""Rules of batch and transaction. Sources: R4, RESTful API, section batch/transaction; the
invariants bdl-1 to bdl-8 of the official StructureDefinition of Bundle."""

from __future__ import annotations

import base64
import contextlib
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.errors import HyoidError, Malformed, NotFound, NotSupported
from service.standard.bundles import PlannedEntry, overlaps, patch_document, plan
from service.standard.links import placeholders, rewrite


def entry(method: str, url: str, resource: Any = None, **more: Any) -> dict[str, Any]:
    request = {"method": method, "url": url, **more.pop("request", {})}
    found: dict[str, Any] = {"request": request, **more}
    return found if resource is None else {**found, "resource": resource}


def bundle(*entries: Any, type: Any = "transaction", **more: Any) -> dict[str, Any]:
    return {"resourceType": "Bundle", "type": type, "entry": list(entries), **more}


def patient(**more: Any) -> dict[str, Any]:
    return {"resourceType": "Patient", **more}


def refusal(*entries: Any) -> HyoidError:
    with pytest.raises(HyoidError) as caught:
        plan(bundle(*entries))
    return caught.value


PARAMETERS = {"resourceType": "Parameters"}


def test_order_of_processing_is_that_of_the_standard() -> None:
    planned = plan(
        bundle(
            entry("GET", "Patient/1"),
            entry("PATCH", "Patient/2", PARAMETERS),
            entry("HEAD", "Patient/1"),
            entry("PUT", "Patient/3", patient(id="3")),
            entry("POST", "Patient", patient()),
            entry("DELETE", "Patient/4"),
            entry("POST", "Patient", patient()),
            entry("DELETE", "Patient?identifier=1"),
        )
    )
    assert [e.index for e in planned] == [5, 7, 4, 6, 1, 3, 0, 2]


def test_entry_keeps_what_it_asks_for() -> None:
    conditions = {
        "ifMatch": 'W/"1"',
        "ifNoneMatch": "*",
        "ifModifiedSince": "2026-01-01T00:00:00Z",
        "ifNoneExist": "identifier=1",
    }
    resource = patient()
    (found,) = plan(
        bundle(entry("POST", "Patient", resource, fullUrl="urn:uuid:1", request=conditions))
    )
    assert found.resource is resource
    assert (found.method, found.url.type, found.full_url) == ("POST", "Patient", "urn:uuid:1")
    assert found.if_match == 'W/"1"'
    assert found.if_none_match == "*"
    assert found.if_modified_since == "2026-01-01T00:00:00Z"
    assert found.if_none_exist == "identifier=1"
    assert found.where == "Bundle.entry[0]"


def test_identity_is_known_for_direct_writes_only() -> None:
    planned = plan(
        bundle(
            entry("GET", "Patient/1"),
            entry("POST", "Patient", patient()),
            entry("PUT", "Patient?identifier=1", patient()),
            entry("PUT", "Patient/3", patient(id="3")),
            entry("DELETE", "Patient/4"),
        )
    )
    found = {e.index: e.identity for e in planned}
    assert found == {0: None, 1: None, 2: None, 3: ("Patient", "3"), 4: ("Patient", "4")}


def test_empty_bundle_asks_for_nothing() -> None:
    assert plan({"resourceType": "Bundle", "type": "batch"}) == []


@pytest.mark.parametrize(
    ("given", "where"),
    [
        ({"resourceType": "Patient"}, "Bundle"),
        ({"resourceType": "Bundle"}, "Bundle.type"),
        (bundle(type="collection"), "Bundle.type"),
        (bundle(type="document"), "Bundle.type"),
        (bundle(type=["batch"]), "Bundle.type"),
        (bundle(total=0), "Bundle.total"),
        ({"resourceType": "Bundle", "type": "batch", "entry": {}}, "Bundle.entry"),
        ({"resourceType": "Bundle", "type": "batch", "entry": None}, "Bundle.entry"),
    ],
)
def test_bundle_that_cannot_be_processed_is_refused(given: dict[str, Any], where: str) -> None:
    with pytest.raises(HyoidError) as caught:
        plan(given)
    assert caught.value.status == 400
    assert caught.value.issues[0].expression == where


BAD: dict[str, tuple[Any, str]] = {
    "no object": ("x", ""),
    "null": (None, ""),
    "no request": ({"resource": patient()}, ".request"),
    "request is no object": ({"request": "GET"}, ".request"),
    "no method": ({"request": {"url": "Patient"}}, ".request.method"),
    "method is no text": ({"request": {"method": 1, "url": "Patient"}}, ".request.method"),
    "unknown method": (entry("TRACE", "Patient"), ".request.method"),
    "method in small letters": (entry("get", "Patient"), ".request.method"),
    "no url": ({"request": {"method": "GET"}}, ".request.url"),
    "empty url": (entry("GET", ""), ".request.url"),
    "url is no text": ({"request": {"method": "GET", "url": {}}}, ".request.url"),
    "url elsewhere": (entry("GET", "http://elsewhere.example/Patient/1"), ".request.url"),
    "POST with an id": (entry("POST", "Patient/1", patient()), ".request.url"),
    "POST with a search": (entry("POST", "Patient?name=x", patient()), ".request.url"),
    "POST to the base": (entry("POST", "metadata", patient()), ".request.url"),
    "PUT without id": (entry("PUT", "Patient", patient()), ".request.url"),
    "PUT with an empty search": (entry("PUT", "Patient?", patient()), ".request.url"),
    "PUT of a version": (entry("PUT", "Patient/1/_history/1", patient(id="1")), ".request.url"),
    "PATCH without id": (entry("PATCH", "Patient", PARAMETERS), ".request.url"),
    "DELETE of all": (entry("DELETE", "Patient"), ".request.url"),
    "DELETE of a history": (entry("DELETE", "Patient/1/_history"), ".request.url"),
    "POST of nothing": (entry("POST", "Patient"), ".resource"),
    "PUT of nothing": (entry("PUT", "Patient/1"), ".resource"),
    "PATCH with nothing": (entry("PATCH", "Patient/1"), ".resource"),
    "resource is no object": (entry("POST", "Patient", ["x"]), ".resource"),
    "POST of another type": (entry("POST", "Patient", {"resourceType": "Group"}), ".resource"),
    "POST without a type": (entry("POST", "Patient", {"active": True}), ".resource"),
    "PUT of another type": (
        entry("PUT", "Patient/1", {"resourceType": "Group", "id": "1"}),
        ".resource",
    ),
    "PUT of another id": (entry("PUT", "Patient/1", patient(id="2")), ".resource.id"),
    "PUT without an id": (entry("PUT", "Patient/1", patient()), ".resource.id"),
    "ifMatch is no text": (
        entry("PUT", "Patient/1", patient(id="1"), request={"ifMatch": 1}),
        ".request.ifMatch",
    ),
    "ifNoneExist is null": (
        entry("POST", "Patient", patient(), request={"ifNoneExist": None}),
        ".request.ifNoneExist",
    ),
    "fullUrl is no text": (entry("POST", "Patient", patient(), fullUrl=1), ".fullUrl"),
    "bdl-8": (
        entry("POST", "Patient", patient(), fullUrl="http://x/Patient/1/_history/1"),
        ".fullUrl",
    ),
    "fullUrl of another id": (
        entry("PUT", "Patient/1", patient(id="1"), fullUrl="http://x/Patient/2"),
        ".fullUrl",
    ),
    "bdl-2": (entry("GET", "Patient", search={"mode": "match"}), ".search"),
    "bdl-4": (entry("GET", "Patient", response={"status": "200"}), ".response"),
}


@pytest.mark.parametrize("name", BAD)
def test_bad_entry_is_refused_with_its_place(name: str) -> None:
    bad, where = BAD[name]
    error = refusal(entry("GET", "Patient/1"), bad)
    assert error.status == 400
    assert [issue.expression for issue in error.issues] == [f"Bundle.entry[1]{where}"]


@pytest.mark.parametrize(
    "full_url",
    ["http://x/fhir/Patient/1", "urn:uuid:1", "http://x/records/2", "http://x/Patient/2/"],
)
def test_full_url_may_be_of_its_id_or_of_no_fhir_server(full_url: str) -> None:
    (found,) = plan(bundle(entry("PUT", "Patient/1", patient(id="1"), fullUrl=full_url)))
    assert (found.full_url, found.refusal) == (full_url, None)


def test_unknown_type_is_not_found() -> None:
    assert isinstance(refusal(entry("GET", "Bogus/1")), NotFound)


def test_transaction_tells_every_bad_entry() -> None:
    error = refusal(entry("GET", "Bogus"), entry("GET", "Patient"), entry("POST", "Patient"))
    assert [issue.expression for issue in error.issues] == [
        "Bundle.entry[0].request.url",
        "Bundle.entry[2].resource",
    ]


def test_bad_entry_of_a_batch_does_not_stop_the_others() -> None:
    planned = plan(
        bundle(
            entry("GET", "Bogus/1"),
            entry("GET", "Patient/1"),
            entry("DELETE", "Patient/1"),
            type="batch",
        )
    )
    refused = {e.index: type(e.refusal) for e in planned}
    assert refused == {0: NotFound, 1: type(None), 2: type(None)}


@pytest.mark.parametrize(
    "second",
    [
        entry("DELETE", "Patient/1"),
        entry("PATCH", "Patient/1", PARAMETERS),
        entry("PUT", "Patient/1", patient(id="1")),
        entry("PUT", "/Patient/1", patient(id="1")),
    ],
)
def test_one_identity_twice_is_refused(second: dict[str, Any]) -> None:
    error = refusal(entry("PUT", "Patient/1", patient(id="1")), second)
    assert error.issues[0].expression == "Bundle.entry[1].request.url"


def test_reading_what_is_written_is_no_overlap() -> None:
    write = entry("PUT", "Patient/1", patient(id="1"))
    assert len(plan(bundle(write, entry("GET", "Patient/1")))) == 2


def test_same_id_of_another_type_is_no_overlap() -> None:
    group = entry("PUT", "Group/1", {"resourceType": "Group", "id": "1"})
    assert len(plan(bundle(entry("PUT", "Patient/1", patient(id="1")), group))) == 2


def test_entries_of_a_batch_may_touch_one_identity() -> None:
    delete = entry("DELETE", "Patient/1")
    assert all(e.refusal is None for e in plan(bundle(delete, delete, type="batch")))


def test_overlap_is_seen_after_a_search_too() -> None:
    found = overlaps([(0, ("Patient", "1")), (3, ("Patient", "2")), (5, ("Patient", "1"))])
    assert [error.issues[0].expression for error in found] == ["Bundle.entry[5].request.url"]


def test_bdl_7_same_full_url_twice_is_refused() -> None:
    post = entry("POST", "Patient", patient(), fullUrl="urn:uuid:1")
    assert refusal(post, post).issues[0].expression == "Bundle.entry[1].fullUrl"


def test_absolute_url_below_the_base_is_ours() -> None:
    given = bundle(entry("GET", "http://localhost/fhir/Patient/1"))
    (found,) = plan(given, base="http://localhost/fhir")
    assert (found.url.type, found.url.id) == ("Patient", "1")


def binary(data: bytes, content_type: str = "application/json-patch+json") -> dict[str, Any]:
    text = base64.b64encode(data).decode()
    return {"resourceType": "Binary", "contentType": content_type, "data": text}


def planned_patch(resource: dict[str, Any]) -> PlannedEntry:
    (found,) = plan(bundle(entry("PATCH", "Patient/1", resource)))
    return found


def test_patch_is_parameters_or_a_json_patch_in_a_binary() -> None:
    assert patch_document(planned_patch(PARAMETERS)) is PARAMETERS
    operations = patch_document(planned_patch(binary(b'[{"op":"remove","path":"/active"}]')))
    assert operations == [{"op": "remove", "path": "/active"}]
    with_charset = binary(b"[]", "application/json-patch+json; charset=utf-8")
    assert patch_document(planned_patch(with_charset)) == []


@pytest.mark.parametrize(
    ("resource", "kind"),
    [
        (patient(), NotSupported),
        (binary(b"[]", "application/xml-patch+xml"), NotSupported),
        ({"resourceType": "Binary"}, NotSupported),
        (binary(b"[", "application/json-patch+json"), Malformed),
        ({**binary(b""), "data": "§"}, Malformed),
        ({**binary(b""), "data": "abc"}, Malformed),
        ({**binary(b""), "data": 7}, Malformed),
    ],
)
def test_other_patch_is_refused(resource: dict[str, Any], kind: type[HyoidError]) -> None:
    with pytest.raises(kind) as caught:
        patch_document(planned_patch(resource))
    assert (caught.value.issues[0].expression or "").startswith("Bundle.entry[0].resource")


ANYTHING = st.recursive(
    st.none()
    | st.integers(0, 2)
    | st.sampled_from(["GET", "POST", "PUT", "Patient", "Patient/1", "urn:uuid:1", "", "?", "/"]),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(
                ["request", "method", "url", "resource", "fullUrl", "resourceType", "id", "meta"]
            ),
            inner,
            max_size=4,
        )
    ),
    max_leaves=12,
)


@given(ANYTHING)
def test_any_entry_is_planned_or_refused(anything: Any) -> None:
    resource = patient(note=anything)
    planned = plan(bundle(anything, entry("POST", "Patient", resource), type="batch"))
    placeholders(planned)
    for found in planned:
        if found.resource is not None:
            with contextlib.suppress(HyoidError):
                rewrite(found.resource, {"urn:uuid:1": "Patient/9"}, full_url=found.full_url)
