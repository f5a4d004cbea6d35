"""What do the steps of a write cost that are no matter of the database?

Expected: to validate a small Observation takes under 500 µs; the other steps far less. Controls:
the model of fhir.resources alone, and `json.loads`, on the same bytes.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from functools import partial
from statistics import median
from typing import Any

import pytest
from fhir.resources.R4B import get_fhir_model_class

from service.standard.codec import decode_resource, encode
from service.standard.search_values import extract
from service.standard.validation import check, validate
from tests.benchmarks.rounds import in_turns
from tests.factories.clinical import observation, session_bundle, unconditional

pytestmark = pytest.mark.benchmark


def _micros(work: Callable[[], Any], times: int) -> float:
    """Microseconds of processor time, so that other processes count for little."""
    started = time.thread_time()
    for _ in range(times):
        work()
    return (time.thread_time() - started) / times * 1e6


def _told(what: str, raw: bytes, times: int) -> None:
    resource = decode_resource(raw)
    check(resource)
    model = get_fhir_model_class(resource["resourceType"])
    steps: dict[str, Callable[[], Any]] = {
        "decode": partial(decode_resource, raw),
        "validate": partial(validate, resource),
        "encode": partial(encode, resource),
        "fhir.resources alone": partial(model.model_validate, resource),
        "json.loads alone": partial(json.loads, raw),
    }
    if resource["resourceType"] != "Bundle":
        steps["extract"] = partial(extract, resource)
    measured = in_turns({name: partial(_micros, step, times) for name, step in steps.items()})
    print(f"\n{what}, {len(raw)} bytes, µs:", end=" ")
    print(", ".join(f"{name} {median(values):.1f}" for name, values in measured.items()), end="")


def test_a_small_observation() -> None:
    _told("small Observation", json.dumps(observation("o1")).encode(), 300)


def test_a_session() -> None:
    _told("session of 15", json.dumps(unconditional(session_bundle(1))).encode(), 20)
