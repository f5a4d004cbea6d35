"""How do tests read the invented clinic? Loaded by its path, as `hyoid demo` does."""

from __future__ import annotations

import importlib.util
import json
import sys
from collections.abc import Iterator, Mapping
from datetime import date
from functools import cache
from itertools import combinations
from statistics import median
from typing import Any

from service.data import examples, mappings

Json = dict[str, Any]
UNTIL = date(2026, 11, 20)
OWN = "https://hyoid.example/fhir/CodeSystem/"
MEASURE = OWN + "measure"


@cache
def clinic() -> Any:
    folder = examples("clinic")
    spec = importlib.util.spec_from_file_location(
        "invented_clinic", folder / "__init__.py", submodule_search_locations=[str(folder)]
    )
    assert spec
    assert spec.loader
    module = importlib.util.module_from_spec(spec)
    sys.modules["invented_clinic"] = module
    spec.loader.exec_module(module)
    return module


@cache
def sent() -> list[Json]:
    return list(clinic().bundles())


def entries() -> Iterator[Json]:
    for bundle in sent():
        yield from bundle["entry"]


@cache
def final() -> list[Json]:
    """The resources as they stand after everything was sent."""
    kept: dict[str, Json] = {}
    for entry in entries():
        kept[entry.get("fullUrl") or entry["request"]["url"]] = entry["resource"]
    return list(kept.values())


def all_of(resource_type: str) -> list[Json]:
    return [r for r in final() if r["resourceType"] == resource_type]


def walk(value: Any) -> Iterator[Json]:
    if isinstance(value, dict):
        yield value
        for item in value.values():
            yield from walk(item)
    elif isinstance(value, list):
        for item in value:
            yield from walk(item)


@cache
def own_concepts() -> Mapping[tuple[str, str], Json]:
    systems = [json.loads(path.read_bytes()) for path in mappings("code-systems").glob("*.json")]
    return {(s["url"], c["code"]): c for s in systems for c in s["concept"]}


def direction(code: str) -> int:
    facts = {p["code"]: p for p in own_concepts()[MEASURE, code]["property"]}
    return {"increase": 1, "decrease": -1}[facts["direction"]["valueCode"]]


def code_of(resource: Json) -> str:
    return str(resource["code"]["coding"][0]["code"])


def day_of(observation: Json) -> str:
    when = observation.get("effectiveDateTime") or observation["effectivePeriod"]["end"]
    return str(when)[:10]


@cache
def series_of(client: str, key: str) -> list[tuple[str, float]]:
    """Values of a measure (`code` or `code@region`) of a client in the order of time."""
    code, _, region = key.partition("@")
    return sorted(
        (day_of(o), o["valueQuantity"]["value"])
        for o in all_of("Observation")
        if o["subject"]["reference"] == client
        and code_of(o) == code
        and (not region or o["bodySite"]["coding"][0]["code"] == region)
    )


def slope_per_week(points: list[tuple[str, float]]) -> float:
    """Theil-Sen: the median of all pairwise slopes."""
    dated = [(date.fromisoformat(day).toordinal() / 7, value) for day, value in points]
    return median((b[1] - a[1]) / (b[0] - a[0]) for a, b in combinations(dated, 2) if a[0] != b[0])
