"""Every code of others in mappings/, against references outside.

Outside sources: simple-icd-10-cm (the tabular list), hl7.fhir.r4.core 4.0.1, and the check digits
of SNOMED CT (Verhoeff) and LOINC (modulus 10), which tell a wrong form.
"""

from __future__ import annotations

import json
import warnings
from typing import Any

import pytest

from service.data import mappings
from tests.examples.invented import final, walk
from tests.official import package, resources

FRAGMENTS = mappings("code-systems", "fragments")
SNOMED = "http://snomed.info/sct"
LOINC = "http://loinc.org"


def fragment(name: str) -> dict[str, dict[str, Any]]:
    found = json.loads((FRAGMENTS / f"{name}.json").read_bytes())
    return {concept["code"]: concept for concept in found["concept"]}


def grade(concept: dict[str, Any]) -> str:
    return str(next(p["valueCode"] for p in concept["property"] if p["code"] == "grade"))


def verhoeff(number: str) -> bool:
    """J. Verhoeff 1969: the dihedral group of order ten."""
    multiply = [[(a + b) % 5 if a < 5 and b < 5 else 0 for b in range(10)] for a in range(10)]
    for a in range(10):
        for b in range(10):
            if a < 5 <= b:
                multiply[a][b] = 5 + (a + b) % 5
            elif b < 5 <= a:
                multiply[a][b] = 5 + (a - b) % 5
            elif a >= 5 and b >= 5:
                multiply[a][b] = (a - b) % 5
    turn = [1, 5, 7, 6, 2, 8, 3, 0, 9, 4]
    check = 0
    for place, digit in enumerate(reversed(number)):
        value = int(digit)
        for _ in range(place % 8):
            value = turn[value]
        check = multiply[check][value]
    return check == 0


def mod_10(code: str) -> bool:
    """LOINC Users' Guide, appendix on check digits: doubled from the right, as Luhn does."""
    number, _, digit = code.partition("-")
    total = 0
    for place, each in enumerate(reversed(number)):
        value = int(each) * (2 if place % 2 == 0 else 1)
        total += value // 10 + value % 10
    return (total + int(digit)) % 10 == 0


def test_the_check_digits_find_known_bad_codes() -> None:
    """Source: codes seen in public material that are wrong, and right ones beside them."""
    assert not any(map(verhoeff, ("398151000", "91939001", "20020131")))
    assert all(map(verhoeff, ("398152000", "418085001", "21974007")))
    assert mod_10("29463-7")
    assert not mod_10("29463-8")


def test_snomed_and_loinc_codes_have_the_right_form() -> None:
    assert all(verhoeff(code) for code in fragment("snomed-ct"))
    assert all(mod_10(code) for code in fragment("loinc"))


def test_icd_10_cm_codes_are_those_of_the_tabular_list() -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        tabular = pytest.importorskip("simple_icd_10_cm")
    for code, concept in fragment("icd-10-cm").items():
        assert tabular.is_valid_item(code), code
        assert tabular.get_description(code) == concept["display"], code


def official_displays(system: str) -> dict[str, set[str]]:
    """What the value sets of the package call the codes of a system."""
    found: dict[str, set[str]] = {}
    for raw in resources("ValueSet"):
        for part in raw.get("compose", {}).get("include", ()):
            if part.get("system") == system:
                for concept in part.get("concept", ()):
                    found.setdefault(concept["code"], set()).add(concept.get("display", ""))
    return found


@pytest.mark.parametrize(("name", "system"), [("snomed-ct", SNOMED), ("loinc", LOINC)])
def test_displays_are_the_official_ones_where_the_package_has_them(name: str, system: str) -> None:
    """Source: displays in value sets of the package. SNOMED CT terms there lack the tag in
    brackets, or are synonyms; those that are said to come from the package are compared whole."""
    official = official_displays(system)
    compared = 0
    for code, concept in fragment(name).items():
        source = next((p["valueString"] for p in concept["property"] if p["code"] == "source"), "")
        if source.startswith("hl7.fhir.r4.core") and official.get(code, {""}) != {""}:
            assert concept["display"] in official[code], code
            compared += 1
    assert compared > 1


def test_units_are_those_of_the_official_list() -> None:
    """Source: ValueSet ucum-common and units-of-time; `{score}` is the unit of LOINC 99858-3."""
    listed = official_displays("http://unitsofmeasure.org")
    for code, concept in fragment("ucum").items():
        if code != "{score}":
            assert concept["display"] in listed[code], code


def test_icf_codes_have_no_titles() -> None:
    assert all("display" not in concept for concept in fragment("icf").values())
    for path in mappings().rglob("*.json"):
        text = path.read_text("utf-8")
        if "sid/icf" in text and "/r4/" not in path.as_posix():
            for item in walk(json.loads(text)):
                if item.get("system") == "http://hl7.org/fhir/sid/icf":
                    assert "display" not in item, path


def test_every_code_has_a_grade() -> None:
    for path in FRAGMENTS.glob("*.json"):
        content = json.loads(path.read_bytes())
        assert content["content"] == "fragment"
        assert {grade(concept) for concept in content["concept"]} <= {"A", "B"}, path.name


def test_the_map_of_measures_says_what_their_property_says() -> None:
    measures = json.loads(mappings("code-systems", "measure.json").read_bytes())
    wanted = {
        concept["code"]: [
            p["valueCoding"]["code"] for p in concept["property"] if p["code"] == "icf"
        ]
        for concept in measures["concept"]
    }
    raw = json.loads(mappings("concept-maps", "measure-to-icf.json").read_bytes())
    found = {
        element["code"]: [t["code"] for t in element["target"] if "code" in t]
        for element in raw["group"][0]["element"]
    }
    assert found == wanted


def test_codes_of_the_invented_clinic_are_among_the_verified() -> None:
    held = {
        json.loads(path.read_bytes())["url"]: fragment(path.stem)
        for path in FRAGMENTS.glob("*.json")
    }
    used = {
        (item["system"], item["code"], item.get("display"))
        for resource in final()
        for item in walk(resource)
        if item.get("system") in held and "code" in item and "value" not in item
    }
    assert len(used) > 20
    for system, code, display in used:
        assert code in held[system], code
        assert display in (None, held[system][code].get("display")), code


def _is_hl7(system: str) -> bool:
    """A code system that the package has; US Core and names of other systems are not in it."""
    own = system.startswith(("http://terminology.hl7.org/", "http://hl7.org/fhir/"))
    return own and "/sid/" not in system and "/us/" not in system


def test_hl7_codes_are_those_of_the_package() -> None:
    """Source: CodeSystems of the package, for every HL7 coding in our own files."""
    official: dict[tuple[str, str], str] = {}

    def gather(system: str, concepts: list[dict[str, Any]]) -> None:
        for concept in concepts:
            official[system, concept["code"]] = concept.get("display", "")
            gather(system, concept.get("concept", []))

    for raw in package().values():
        if raw["resourceType"] == "CodeSystem":
            gather(raw["url"], raw.get("concept", []))
    checked = 0
    for path in mappings().rglob("*.json"):
        if "/r4/" in path.as_posix():
            continue
        for item in walk(json.loads(path.read_bytes())):
            system, code = item.get("system"), item.get("code")
            if not isinstance(code, str) or not _is_hl7(str(system)):
                continue
            assert (system, code) in official, (path.name, code)
            assert item.get("display") in (None, official[system, code]), (path.name, code)
            checked += 1
    assert checked > 50
