"""$translate. Outside sources: the ConceptMaps of hl7.fhir.r4.core 4.0.1, read naively here; the
example on the page of the operation (composition status to v3 ActStatus).
"""

from __future__ import annotations

from typing import Any

from service.standard.terminology.concept_maps import read_concept_map
from service.standard.terminology.shipped import Shelf
from service.standard.terminology.translation import Asked, Dependency, Wishes, translate
from service.standard.validation import validate
from tests.official import package, resources
from tests.standard.terminology.made import Resource

Found = list[tuple[str, str | None, str | None]]


def matches(answer: Resource) -> Found:
    """(equivalence, system, code) of each match."""
    found: Found = []
    for entry in answer["parameter"]:
        if entry["name"] == "match":
            part = {each["name"]: each for each in entry["part"]}
            coding = part.get("concept", {}).get("valueCoding", {})
            code = part["equivalence"]["valueCode"], coding.get("system"), coding.get("code")
            found.append(code)
    return found


def asked(raw: Resource, code: str, system: str, **wishes: Any) -> Resource:
    maps = [read_concept_map(raw)]
    return translate([Asked(system, code)], maps, Shelf([raw]), Wishes(**wishes))


def result(answer: Resource) -> bool:
    value: bool = answer["parameter"][0]["valueBoolean"]
    return value


def message(answer: Resource) -> str:
    return str(next((p["valueString"] for p in answer["parameter"] if p["name"] == "message"), ""))


def made(*elements: Resource, **group: Any) -> Resource:
    return {
        "resourceType": "ConceptMap",
        "url": "https://made.example/map",
        "status": "active",
        "group": [{"source": "urn:a", "target": "urn:b", "element": list(elements), **group}],
    }


def to(code: str | None, equivalence: str = "equivalent", **more: Any) -> Resource:
    return ({"code": code} if code else {}) | {"equivalence": equivalence, **more}


def test_the_example_of_the_operation() -> None:
    """Source: page of ConceptMap/$translate: preliminary is active, equivalent."""
    raw = package()["ConceptMap-cm-composition-status-v3"]
    answer = asked(
        raw,
        "preliminary",
        "http://hl7.org/fhir/composition-status",
        source="http://hl7.org/fhir/ValueSet/composition-status",
        target="http://terminology.hl7.org/ValueSet/v3-ActStatus",
    )
    assert result(answer)
    systems = {system for _, system, _ in matches(answer)}
    assert systems == {"http://terminology.hl7.org/CodeSystem/v3-ActStatus"}
    assert [code for _, _, code in matches(answer)] == ["active"]


def test_every_entry_of_every_official_map_both_ways() -> None:
    """Source: group.element.target of all ConceptMaps of the package."""
    forth = back = 0
    for raw in resources("ConceptMap"):
        for group in (each for each in raw.get("group", ()) if "source" in each):
            backward: dict[str, set[str]] = {}
            for element in (each for each in group.get("element", ()) if "code" in each):
                targets = [t for t in element.get("target", ()) if not t.get("dependsOn")]
                answer = asked(raw, element["code"], group["source"])
                wanted = {(t["equivalence"], t.get("code")) for t in targets}
                assert wanted <= {(e, code) for e, _, code in matches(answer)}, raw["url"]
                forth += 1
                for target in targets:
                    backward.setdefault(target.get("code", ""), set()).add(element["code"])
            for code, sources in backward.items():
                if code:
                    answer = asked(raw, code, group["target"], reverse=True)
                    found = {c for _, system, c in matches(answer) if system == group["source"]}
                    assert sources <= found, raw["url"]
                    back += 1
    assert forth > 300
    assert back > 200


def test_the_other_way_round_wider_is_narrower() -> None:
    """Source: ConceptMapEquivalence: the target is wider than the source, and so on."""
    pairs = {"wider": "narrower", "narrower": "wider", "subsumes": "specializes"}
    for there, and_back in (pairs | {"equal": "equal", "relatedto": "relatedto"}).items():
        raw = made({"code": "x", "target": [to("y", there, comment="?")]})
        assert matches(asked(raw, "y", "urn:b", reverse=True)) == [(and_back, "urn:a", "x")]


def test_no_match_is_no_result() -> None:
    """Source: "The value can only be true if at least one returned match has an equivalence which
    is not unmatched or disjoint"."""
    nothing = made({"code": "x", "target": [to(None, "unmatched")]})
    answer = asked(nothing, "x", "urn:a")
    assert not result(answer)
    assert matches(answer) == [("unmatched", None, None)]
    assert not result(asked(made({"code": "x", "target": [to("y", "disjoint")]}), "x", "urn:a"))
    other = asked(nothing, "z", "urn:a")
    assert not result(other)
    assert matches(other) == []
    assert message(other)


def test_codes_without_an_entry() -> None:
    """Source: ConceptMap.group.unmapped: provided, fixed, other-map; map 101 of the package."""
    provided = made(unmapped={"mode": "provided"})
    assert matches(asked(provided, "z", "urn:a")) == [("equal", "urn:b", "z")]
    raw = package()["ConceptMap-101"]
    source = "http://hl7.org/fhir/address-use"
    assert [code for _, _, code in matches(asked(raw, "billing", source))] == ["temp"]
    assert not result(asked(raw, "old", source))

    first = made(unmapped={"mode": "other-map", "url": "https://made.example/second"})
    second = made({"code": "z", "target": [to("y")]}) | {"url": "https://made.example/second"}
    library = Shelf([first, second])
    answer = translate([Asked("urn:a", "z")], [read_concept_map(first)], library, Wishes())
    assert matches(answer) == [("equivalent", "urn:b", "y")]


def test_maps_that_send_to_each_other_end() -> None:
    """Thirty groups that each send to the same thirty would be 30 ** depth steps."""
    first = made(unmapped={"mode": "other-map", "url": "https://made.example/map"})
    first["group"] *= 30
    assert matches(asked(first, "z", "urn:a")) == []


def test_maps_without_a_url_are_all_asked() -> None:
    maps = []
    for code in ("y", "w"):
        raw = made({"code": "x", "target": [to(code)]})
        del raw["url"]
        maps.append(read_concept_map(raw))
    answer = translate([Asked("urn:a", "x")], maps, Shelf([]), Wishes())
    assert [code for _, _, code in matches(answer)] == ["y", "w"]


def test_only_the_target_that_is_wanted() -> None:
    raw = made({"code": "x", "target": [to("y")]})
    raw["group"].append(
        {"source": "urn:a", "target": "urn:c", "element": [{"code": "x", "target": [to("w")]}]}
    )
    raw["sourceCanonical"] = "https://made.example/from|3"
    assert len(matches(asked(raw, "x", "urn:a"))) == 2
    assert matches(asked(raw, "x", "urn:a", target_system="urn:c")) == [
        ("equivalent", "urn:c", "w")
    ]
    assert len(matches(asked(raw, "x", "urn:a", source="https://made.example/from"))) == 2
    assert matches(asked(raw, "x", "urn:a", source="https://made.example/other")) == []
    assert matches(asked(raw, "x", "urn:a", target="https://made.example/from")) == []


def test_dependencies_and_products() -> None:
    """Source: ConceptMap example2 of the package: a translation that depends on another code."""
    raw = package()["ConceptMap-example2"]
    source = "http://example.org/fhir/example1"
    without = asked(raw, "code", source)
    assert not result(without)
    assert "http://example.org/fhir/property-value/example" in message(without)
    given = Dependency(
        "http://example.org/fhir/property-value/example",
        (("http://example.org/fhir/example3", "some-code"),),
        None,
    )
    assert result(asked(raw, "code", source, dependencies=(given,)))

    product = {"property": "urn:p", "system": "urn:q", "value": "1", "display": "One"}
    answer = asked(made({"code": "x", "target": [to("y", product=[product])]}), "x", "urn:a")
    part = answer["parameter"][1]["part"]
    assert part[2]["name"] == "product"
    assert part[2]["part"][1]["valueCoding"] == {"system": "urn:q", "code": "1", "display": "One"}


def test_the_answer_names_its_map_and_is_valid() -> None:
    raw = package()["ConceptMap-cm-composition-status-v3"]
    answer = asked(raw, "final", "http://hl7.org/fhir/composition-status")
    part = {each["name"]: each for each in answer["parameter"][1]["part"]}
    assert part["source"]["valueUri"] == f"{raw['url']}|{raw['version']}"
    assert [issue for issue in validate(answer) if issue.severity == "error"] == []
