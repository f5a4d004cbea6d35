"""Does anything that can be sent bring the service down? Found by chance, not by thought.

The same on both engines: what one of them takes, the other takes.
"""

from __future__ import annotations

import copy
import json
from collections.abc import Iterator
from typing import Any
from urllib.parse import urlencode

import httpx
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.standard.definitions import definitions
from service.standard.registry import RESOURCE_TYPES
from tests.contract.asked import FHIR, FORM, JSON_PATCH, Resource
from tests.contract.odd_values import DECIMALS, TIMES
from tests.contract.outcomes import refusal
from tests.factories.clinical import observation, patient, session_bundle
from tests.factories.minimal import minimal

_QUICK = settings(
    max_examples=120,
    deadline=None,
    derandomize=True,
    database=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)

_TEXTS = st.text(max_size=12) | st.sampled_from(
    ["", "\0", "#", "#x", "urn:uuid:x", "Patient/1", "Patient?x=\0", "😀" * 9, "a" * 300, *TIMES]
)
_NUMBERS = st.sampled_from(DECIMALS).map(lambda text: f"@{text}@")
"""Written without quotes by `_json`."""
_SCALARS = st.none() | st.booleans() | st.integers() | _TEXTS | _NUMBERS
_JUNK = st.recursive(
    _SCALARS | st.just({"resourceType": "Patient"}) | st.just({"reference": "#"}),
    lambda inner: (
        st.lists(inner, max_size=2)
        | st.dictionaries(
            st.sampled_from(["id", "extension", "url", "value", "valueString", "reference", "x"]),
            inner,
            max_size=2,
        )
    ),
    max_leaves=4,
)
_NAMES = st.sampled_from(
    (
        *("id", "_id", "meta", "text", "extension", "contained", "resourceType", "identifier"),
        *("status", "_status", "valueQuantity", "valueString", "subject", "code", "entry"),
        *("request", "x"),
    )
)
_WHOLE = [minimal(name, "fuzzed") for name in RESOURCE_TYPES]
_WHOLE += [observation("fuzzed"), patient("fuzzed")] * 10


def _places(value: Any) -> Iterator[tuple[Any, Any]]:
    """Every (holder, key) in a value."""
    for key in list(value) if isinstance(value, dict) else range(len(value)):
        yield value, key
        if isinstance(value[key], dict | list):
            yield from _places(value[key])


@st.composite
def _broken(draw: st.DrawFn, wholes: list[Resource]) -> Resource:
    """One of these with up to three things changed, added or taken away."""
    resource = copy.deepcopy(draw(st.sampled_from(wholes)))
    for _ in range(draw(st.integers(0, 3))):
        places = list(_places(resource))
        if not places:
            break
        holder, key = draw(st.sampled_from(places))
        match draw(st.integers(0, 3)):
            case 0 | 1:
                holder[key] = copy.deepcopy(draw(_JUNK))
            case 2 if isinstance(holder, dict):
                holder[draw(_NAMES)] = copy.deepcopy(draw(_JUNK))
            case _:
                del holder[key]
    return resource


def _json(value: Any) -> bytes:
    text = json.dumps(value)
    return text.replace('"@', "").replace('@"', "").encode()


def _bears(answer: httpx.Response) -> None:
    assert answer.status_code < 500, answer.text
    if answer.status_code >= 400:
        assert refusal(answer)
    assert b'"status":"5' not in answer.content


@_QUICK
@given(resource=_broken(_WHOLE))
def test_resources(resource: Resource, fhir: httpx.Client) -> None:
    kind = resource.get("resourceType")
    address = kind if isinstance(kind, str) and kind in RESOURCE_TYPES else "Patient"
    raw, headers = _json(resource), {"Content-Type": FHIR}
    checked = fhir.post(f"{address}/$validate", content=raw, headers=headers)
    _bears(checked)
    stored = fhir.post(address, content=raw, headers=headers)
    _bears(stored)
    if checked.status_code == 200:
        faults = [i for i in checked.json()["issue"] if i["severity"] in ("fatal", "error")]
        assert (stored.status_code == 201) == (not faults), (checked.text, stored.text)
    _bears(fhir.put(f"{address}/fuzzed", content=raw, headers=headers))


@_QUICK
@given(
    bundle=_broken(
        [
            session_bundle(1) | {"entry": session_bundle(1)["entry"][:3], "type": kind}
            for kind in ("batch", "transaction")
        ]
    )
)
def test_bundles(bundle: Resource, fhir: httpx.Client) -> None:
    _bears(fhir.post("", content=_json(bundle), headers={"Content-Type": FHIR}))


_PARAMETERS = sorted({c for name in RESOURCE_TYPES for c in definitions().search_parameters(name)})
_MODIFIERS = (
    *("", ":exact", ":contains", ":missing", ":not", ":text", ":above", ":below", ":in", ":"),
    *(":of-type", ":identifier", ":Patient", ".name", ":Patient.name", ".x"),
)
_SHAPES = (
    *("_sort", "_count", "_total", "_summary", "_elements", "_include", "_revinclude", "_id"),
    *("_lastUpdated", "_list", "_type", "_has:Observation:patient:code", "_cursor", "_page"),
)
_CODES = st.builds(str.__add__, st.sampled_from(_PARAMETERS), st.sampled_from(_MODIFIERS))
_VALUES = st.text(st.characters(exclude_categories=["Cs"]), max_size=10) | st.sampled_from(
    (
        *("x|y", "|", "a$b", "\\", ",", "ge2026", "ap0001", "le5.40", "1e999", "5||kPa", "*"),
        *("-date", "Observation:subject", "Patient/1", "true", "http://loinc.org|8480-6$gt5"),
        *TIMES,
        *DECIMALS,
    )
)


@_QUICK
@given(
    kind=st.sampled_from(RESOURCE_TYPES),
    pairs=st.lists(st.tuples(_CODES | st.sampled_from(_SHAPES), _VALUES), min_size=1, max_size=3),
    level=st.sampled_from(["{}", "{}/_search", "Patient/1/{}", "{}/_history", "", "Patient/1/*"]),
)
def test_searches(kind: str, pairs: list[tuple[str, str]], level: str, fhir: httpx.Client) -> None:
    query = urlencode(pairs)
    if level.endswith("_search"):
        address, headers = level.format(kind), {"Content-Type": FORM}
        _bears(fhir.post(address, content=query, headers=headers))
    else:
        _bears(fhir.get(f"{level.format(kind)}?{query}"))


_POINTERS = st.sampled_from(
    (
        *("", "/", "/status", "/code/coding/0/code", "/category/-", "/category/0", "/x", "/id"),
        *("/category/00", "/category/9", "/~2", "/resourceType", "/valueQuantity/value", "status"),
        *("/meta", "/meta/versionId"),
    )
)


@_QUICK
@given(
    operations=st.lists(
        st.fixed_dictionaries(
            {
                "op": st.sampled_from(["add", "remove", "replace", "move", "copy", "test", "x"]),
                "path": _POINTERS,
            },
            optional={"value": _JUNK, "from": _POINTERS},
        )
        | _JUNK,
        max_size=3,
    )
    | _JUNK
)
def test_patches(operations: Any, fhir: httpx.Client) -> None:
    fhir.put("Observation/to-patch", json=observation("to-patch")).raise_for_status()
    raw = _json(operations)
    for form in (JSON_PATCH, "application/merge-patch+json", FHIR):
        _bears(fhir.patch("Observation/to-patch", content=raw, headers={"Content-Type": form}))


@_QUICK
@given(raw=st.binary(max_size=60), kind=st.sampled_from(["Patient", "", "Patient/$validate"]))
def test_bytes(raw: bytes, kind: str, fhir: httpx.Client) -> None:
    answer = fhir.post(kind, content=raw, headers={"Content-Type": FHIR})
    assert answer.status_code == 400
    assert refusal(answer)
