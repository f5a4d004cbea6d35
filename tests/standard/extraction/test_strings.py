"""Which texts and URIs does a value hold? Source: R4, Search, sections string, uri."""

from __future__ import annotations

from service.standard.search_values import extract
from tests.standard.search_rows import of

ANNA = {
    "resourceType": "Patient",
    "name": [
        {
            "text": "Dr. Ánna B. Çelik",
            "family": "Çelik",
            "given": ["Ánna", None, "B."],
            "prefix": ["Dr."],
        },
        {"family": "Other"},
    ],
    "address": [{"line": ["1 Long  Road"], "city": "Ålesund", "postalCode": "6002", "use": "home"}],
}


def test_each_part_of_a_name_is_found_by_itself() -> None:
    found = extract(ANNA)
    assert of(found.strings, "Patient", "name") == [
        ("anna", "Ánna", 1),
        ("b.", "B.", 1),
        ("celik", "Çelik", 1),
        ("dr.", "Dr.", 1),
        ("dr. anna b. celik", "Dr. Ánna B. Çelik", 1),
        ("other", "Other", 2),
    ]
    assert of(found.strings, "Patient", "given") == [("anna", "Ánna", 1), ("b.", "B.", 1)]


def test_each_part_of_an_address_is_found_by_itself() -> None:
    found = extract(ANNA)
    assert of(found.strings, "Patient", "address") == [
        ("1 long road", "1 Long  Road", 1),
        ("6002", "6002", 1),
        ("alesund", "Ålesund", 1),
    ]


def test_text_of_a_concept_where_the_parameter_asks_for_it() -> None:
    found = extract({"resourceType": "Observation", "valueCodeableConcept": {"text": "Wet voice"}})
    assert of(found.strings, "Observation", "value-string") == [("wet voice", "Wet voice", 0)]


def test_blank_text_gives_nothing_and_long_text_is_clipped() -> None:
    assert extract({"resourceType": "Location", "name": " \t"}).strings == []
    found = extract({"resourceType": "Location", "name": "N" * 500})
    ((folded, exact, _),) = of(found.strings, "Location", "name")
    assert (folded[:160], exact[:160]) == ("n" * 160, "N" * 160)
    assert len(folded) == len(exact) == 193


def test_extensions_are_searched_by_their_value() -> None:
    url = "http://hl7.org/fhir/StructureDefinition/patient-mothersMaidenName"
    patient = {
        "resourceType": "Patient",
        "extension": [{"url": "other", "valueString": "no"}, {"url": url, "valueString": "Świerk"}],
    }
    assert of(extract(patient).strings, "Patient", "mothersMaidenName") == [("swierk", "Świerk", 2)]


def test_uris_are_kept_as_they_are() -> None:
    found = extract({"resourceType": "PlanDefinition", "url": "http://P.example/Plan"})
    assert of(found.uris, "PlanDefinition", "url") == [("http://P.example/Plan", 0)]
