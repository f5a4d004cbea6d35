"""Do the definitions say what R4 says?

Outside sources: HL7's JSON schema and the resources of the official package (compared whole),
and pages of the specification (https://hl7.org/fhir/R4), named beside the check.
"""

from __future__ import annotations

from typing import Any

import pytest

from service.standard.definitions import definitions
from service.standard.registry import EXCHANGE_TYPES, RESOURCE_TYPES
from tests import official

TYPES = RESOURCE_TYPES + EXCHANGE_TYPES


def paths(type_: str) -> list[str]:
    """The type and all its backbone elements."""
    found, waiting = [], [type_]
    while waiting:
        path = waiting.pop()
        found.append(path)
        waiting += [
            element.children
            for element in definitions().elements(path).values()
            if "." in element.children and element.children not in (*found, *waiting)
        ]
    return found


def schema_of(path: str) -> dict[str, Any]:
    """Definition in the JSON schema: `Observation_Component`."""
    type_, _, below = path.partition(".")
    last = below.rpartition(".")[2]
    name = f"{type_}_{last[0].upper()}{last[1:]}" if last else type_
    name += "1" if path == "CodeSystem.concept.property" else ""  # the second of that name
    found: dict[str, Any] = official.json_schema()[name]
    return found


@pytest.mark.parametrize("type_", [*TYPES, "Timing", "Dosage", "ElementDefinition", "HumanName"])
def test_elements_are_those_of_the_json_schema(type_: str) -> None:
    for path in paths(type_):
        properties = schema_of(path)["properties"]
        names = {name for name in properties if not name.startswith("_")} - {"resourceType"}
        elements = definitions().elements(path)
        # The schema leaves Meta out of the open choices, where the definitions have it.
        found = {name for name in elements if not name.endswith("Meta")}
        if path in ("Timing.repeat", "Dosage.doseAndRate") or path.startswith("ElementDefinition."):
            names.discard("modifierExtension")  # Element has none; the schema errs
        assert found == names, path
        for name in found:
            array = properties[name].get("type") == "array"
            assert elements[name].repeats == array, f"{path}.{name}"
            if elements[name].type != "canonical":  # the schema has no _name for these
                primitive = not elements[name].children and name not in ("id", "div")
                assert (f"_{name}" in properties) == primitive, f"{path}.{name}"


def test_codes_of_required_bindings_are_those_of_the_json_schema() -> None:
    checked = 0
    for path in (path for type_ in TYPES for path in paths(type_)):
        for name, shape in schema_of(path)["properties"].items():
            codes = shape.get("enum") or shape.get("items", {}).get("enum")
            element = definitions().elements(path).get(name)
            if codes and element and element.binding and name != "fhirVersion":
                known = definitions().binding(element.binding)
                assert known is not None
                assert set(codes) == set(known), f"{path}.{name}"
                checked += 1
    assert checked > 50
    # The code system of the package lacks 3.0.2, which the schema has.


def test_every_official_search_parameter_is_known_or_left_out_with_a_reason() -> None:
    unknown = set()
    urls = {p.url for t in RESOURCE_TYPES for p in definitions().search_parameters(t).values()}
    for body in official.resources("SearchParameter"):
        bases = set(body.get("base", ())) & {*RESOURCE_TYPES, "Resource", "DomainResource"}
        if bases and body["url"] not in urls and "-genetic-" not in body["id"]:
            unknown.add(body["id"])
    assert unknown == {
        "DomainResource-text",
        "Resource-content",
        "Resource-query",
        "example",
        "example-extension",
        "example-reference",
        "filter",
        "patient-extensions-Patient-age",
    }


@pytest.mark.parametrize("type_", RESOURCE_TYPES)
def test_parameters_have_a_number_a_kind_and_known_components(type_: str) -> None:
    for code, parameter in definitions().search_parameters(type_).items():
        assert parameter.type == type_
        assert parameter.code == code
        assert (parameter.kind == "composite") == bool(parameter.components)
        for component in parameter.components:
            assert definitions().search_parameter(type_, component.code) is not None
        if parameter.kind == "reference":
            assert parameter.targets
            twin = definitions().search_parameter(type_, f"{code}:identifier")
            assert twin is not None
            assert twin.kind == "token"
            assert f"{code}:identifier" not in definitions().search_parameters(type_)


def test_numbers_are_unique_over_all_types() -> None:
    numbers = [
        parameter.number
        for type_ in RESOURCE_TYPES
        for known in definitions().search_parameters(type_).values()
        for parameter in (known, definitions().search_parameter(type_, f"{known.code}:identifier"))
        if parameter is not None
    ]
    assert len(numbers) == len(set(numbers))
    assert max(numbers) < 2**31


def test_expressions_are_cut_to_the_type() -> None:
    # SearchParameter clinical-code joins fifteen types.
    parameter = definitions().search_parameters("AllergyIntolerance")["code"]
    assert parameter.expression == "AllergyIntolerance.code | AllergyIntolerance.reaction.substance"


def test_targets_are_narrowed_to_what_the_element_allows() -> None:
    # clinical-patient names Patient and Group for all types together.
    assert definitions().search_parameters("Observation")["patient"].targets == ("Patient",)
    # R4, Observation.subject: Reference(Patient|Group|Device|Location)
    subject = definitions().search_parameters("Observation")["subject"]
    assert set(subject.targets) == {"Patient", "Group", "Device", "Location"}
    # R4, Provenance.target: Reference(Any)
    assert definitions().search_parameters("Provenance")["target"].targets == RESOURCE_TYPES


def test_components_of_composites_are_in_order() -> None:
    relationship = definitions().search_parameters("DocumentReference")["relationship"]
    assert [part.code for part in relationship.components] == ["relation", "relatesto"]
    pair = definitions().search_parameters("Observation")["component-code-value-quantity"]
    assert [(part.code, part.kind) for part in pair.components] == [
        ("component-code", "token"),
        ("component-value-quantity", "quantity"),
    ]


def test_a_choice_is_known_by_each_name_it_has_in_json() -> None:
    # R4, Observation.value[x]: eleven types.
    elements = definitions().elements("Observation")
    values = [element for element in elements.values() if element.choice == "value"]
    assert {e.name: e.type for e in values}["valueDateTime"] == "dateTime"
    assert len(values) == 11
    assert elements["component"].children == "Observation.component"
    assert definitions().elements("Observation.component")["referenceRange"].children == (
        "Observation.referenceRange"
    )


def test_element_facts() -> None:
    # R4, CarePlan: status 1..1 ?! Σ code, required; basedOn Reference(CarePlan)
    status = definitions().elements("CarePlan")["status"]
    assert (status.min, status.max, status.type) == (1, "1", "code")
    assert status.summary
    assert status.modifier
    assert definitions().elements("CarePlan")["basedOn"].targets == ("CarePlan",)
    assert definitions().elements("List.entry")["item"].targets == ("Resource",)
    assert definitions().elements("Observation.referenceRange")["low"].profile == "SimpleQuantity"
    assert definitions().elements("Patient")["id"].type == "id"
    assert definitions().elements("Nothing") == {}


def test_open_value_sets_have_no_codes_but_a_system() -> None:
    # R4, Attachment: contentType is bound to BCP-13, language at most to BCP-47.
    attachment = definitions().elements("Attachment")
    for name, system in (("contentType", "urn:ietf:bcp:13"), ("language", "urn:ietf:bcp:47")):
        binding = attachment[name].binding
        assert binding is not None
        assert definitions().binding(binding) is None
        assert definitions().binding_system(binding, "anything") == system


def test_binding_tells_the_system_of_each_code() -> None:
    # R4, ValueSet event-timing: two systems in one set.
    timing = "http://hl7.org/fhir/ValueSet/event-timing"
    assert definitions().binding_system(timing, "MORN") == "http://hl7.org/fhir/event-timing"
    assert definitions().binding_system(timing, "ACM") == (
        "http://terminology.hl7.org/CodeSystem/v3-TimingEvent"
    )
    assert definitions().binding_system(timing, "NEVER") == ""


def test_invariants_of_types_elements_and_profiles() -> None:
    # R4, Observation: constraints obs-3, obs-6, obs-7.
    keys = {
        path: [rule.key for rule in definitions().invariants(path)]
        for path in ("Observation", "Observation.referenceRange", "SimpleQuantity")
    }
    assert {"dom-2", "obs-6", "obs-7"} <= set(keys["Observation"])
    assert keys["Observation.referenceRange"] == ["obs-3"]
    assert "sqty-1" in keys["SimpleQuantity"]
    # Two types use the key inv-1 for two rules.
    task = next(rule for rule in definitions().invariants("Task") if rule.key == "inv-1")
    assert "lastModified" in task.expression


def test_every_official_invariant_is_there() -> None:
    known = {
        (path, rule.key, rule.expression, rule.severity)
        for path in definitions().invariant_paths()
        for rule in definitions().invariants(path)
    }
    for type_ in TYPES:
        for element in official.package()[f"StructureDefinition-{type_}"]["snapshot"]["element"]:
            for rule in element.get("constraint", ()):
                said = (element["path"], rule["key"], rule["expression"], rule["severity"])
                assert said in known or (
                    "." in element["path"] and rule["key"] in ("ele-1", "ext-1")
                )


def test_compartment() -> None:
    # R4, CompartmentDefinition patient: the table of its page.
    assert definitions().compartment("Observation") == ("subject", "performer")
    assert definitions().compartment("Patient") == ("link",)
    assert definitions().compartment("Questionnaire") == ()


def test_types_specialise_others() -> None:
    # R4, Data Types: canonical is a uri, Age a Quantity, positiveInt an integer.
    is_a = definitions().is_a
    assert is_a("canonical", "uri")
    assert is_a("Age", "Quantity")
    assert is_a("positiveInt", "integer")
    assert is_a("Observation", "DomainResource")
    assert not is_a("Quantity", "Age")
    assert not is_a("date", "dateTime")


def test_primitives_have_their_pattern() -> None:
    positive = definitions().primitive("positiveInt")
    assert positive is not None
    assert (positive.base, positive.pattern) == ("integer", "[1-9][0-9]*")
    assert definitions().primitive("Quantity") is None


def test_the_number_of_a_parameter_that_is_not_there_is_a_fault() -> None:
    assert definitions().parameter_number("Patient", "_id") > 0
    with pytest.raises(LookupError, match="nonsense of Patient"):
        definitions().parameter_number("Patient", "nonsense")
