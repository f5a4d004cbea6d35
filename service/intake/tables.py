"""Which facts does the intake work with? The tables of mappings/intake."""

from __future__ import annotations

import functools
from collections.abc import Mapping
from typing import Any

import orjson

from service.data import mappings
from service.therapy.measures import MEASURES, Measure, known_measures

OWN = "https://hyoid.example/fhir/CodeSystem/"
EXTENSION = "https://hyoid.example/fhir/StructureDefinition/"
UCUM = "http://unitsofmeasure.org"


@functools.cache
def table(name: str) -> Mapping[str, Any]:
    """One of the tables, by the name of its file."""
    found: Mapping[str, Any] = orjson.loads(mappings("intake", f"{name}.json").read_bytes())
    return found


def key_of(measure: Measure) -> str:
    """How a measure is called in the tables: by its code, with its system where it is not ours."""
    return measure.code if measure.system == MEASURES else f"{measure.system}|{measure.code}"


@functools.cache
def own_codes(kind: str) -> Mapping[str, str]:
    """Code and display of one of our code systems; empty where there is none of this name."""
    path = mappings("code-systems", f"{kind}.json")
    if not path.is_file():
        return {}
    content = orjson.loads(path.read_bytes())
    return {concept["code"]: concept["display"] for concept in content["concept"]}


@functools.cache
def standard_codings(system: str, code: str) -> tuple[Mapping[str, str], ...]:
    """All codings of a measure of another code system that mean the same thing."""
    content = orjson.loads(mappings("measures", "standard-measures.json").read_bytes())
    for row in content["measures"]:
        if {"system": system, "code": code} in row["codes"]:
            return tuple(row["codes"])
    return ()


def known_measure(system: str | None, code: str | None) -> Measure | None:
    """What is known of a measure."""
    return known_measures().get((system or "", code or ""))
