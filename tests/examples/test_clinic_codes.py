"""Are the codes and units of the invented clinic right?

Outside sources: code systems and units of the official R4 package; our own mappings/code-systems.
"""

from __future__ import annotations

import json

from service.data import mappings
from tests.examples.invented import (
    MEASURE,
    OWN,
    Json,
    all_of,
    code_of,
    final,
    own_concepts,
    walk,
)
from tests.official import package


def test_our_codes_exist_with_the_same_display() -> None:
    for resource in final():
        for item in walk(resource):
            if str(item.get("system", "")).startswith(OWN):
                concept = own_concepts()[item["system"], item["code"]]
                assert item["display"] == concept["display"]


def test_code_systems_count_their_concepts_once() -> None:
    for path in mappings("code-systems").glob("*.json"):
        system = json.loads(path.read_bytes())
        codes = [concept["code"] for concept in system["concept"]]
        assert system["count"] == len(set(codes)) == len(codes)
        assert system["url"] == OWN + path.stem
        declared = {item["code"]: item["type"] for item in system.get("property", [])}
        for item in (p for c in system["concept"] for p in c.get("property", [])):
            kind = declared[item["code"]]
            assert set(item) == {"code", f"value{kind[0].upper()}{kind[1:]}"}


def test_hl7_codes_are_those_of_the_official_package() -> None:
    """Source: CodeSystems of hl7.fhir.r4.core 4.0.1."""
    official: dict[tuple[str, str], str] = {}

    def gather(system: str, concepts: list[Json]) -> None:
        for concept in concepts:
            official[system, concept["code"]] = concept.get("display", "")
            gather(system, concept.get("concept", []))

    for resource in package().values():
        if resource["resourceType"] == "CodeSystem":
            gather(resource["url"], resource.get("concept", []))
    used = {
        (item["system"], item["code"], item["display"])
        for resource in final()
        for item in walk(resource)
        if str(item.get("system", "")).startswith("http://terminology.hl7.org/")
    }
    assert used
    assert {u for u in used if official.get(u[:2]) != u[2]} == set()


def test_units_are_ucum_units_of_the_official_list() -> None:
    """Source: ValueSet ucum-common; `{score}` is the example unit of LOINC 99858-3."""
    listed = {
        concept["code"]
        for include in package()["ValueSet-ucum-common"]["compose"]["include"]
        for concept in include.get("concept", [])
    }
    used = {
        item["code"]
        for resource in final()
        for item in walk(resource)
        if item.get("system") == "http://unitsofmeasure.org"
    }
    assert used - listed <= {"{score}"}
    for (system, _), concept in own_concepts().items():
        if system == MEASURE:
            unit = next(p["valueString"] for p in concept["property"] if p["code"] == "unit")
            assert unit in listed | {"{score}"}


def test_measures_are_recorded_in_their_own_unit_and_scale() -> None:
    for observation in all_of("Observation"):
        concept = own_concepts().get((MEASURE, code_of(observation)))
        if concept is None or "valueQuantity" not in observation:
            continue
        facts = {p["code"]: p for p in concept["property"]}
        value = observation["valueQuantity"]
        assert value["code"] == facts["unit"]["valueString"]
        if "minimum" in facts:
            assert value["value"] >= facts["minimum"]["valueDecimal"]
        if "maximum" in facts:
            assert value["value"] <= facts["maximum"]["valueDecimal"]
