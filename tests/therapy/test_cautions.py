"""On whom do the warnings fire, and on whom not?

Each rule is tried with clients that have a sign, with clients that nearly have it, and with
techniques that it does not concern. Sources: the list of cautions of the issue; statuses of R4
(condition-clinical, condition-ver-status, allergyintolerance-verification, flag-status); ICD-10-CM
and LOINC codes as published.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import date, timedelta
from typing import Any

import pytest

from service.data import mappings
from service.therapy.cautions import NO_ALL_CLEAR, Caution, Record, cautions
from service.therapy.cautions.offered import detected_issue
from service.therapy.cautions.rules import LEFT_TO, rule_of, rules
from service.therapy.references import EXTENSIONS, TECHNIQUES
from tests.official import package

Resource = dict[str, Any]

TODAY = date(2026, 11, 25)
OWN = "https://hyoid.example/fhir/CodeSystem/"
ICD = "http://hl7.org/fhir/sid/icd-10-cm"
SNOMED = "http://snomed.info/sct"
LOINC = "http://loinc.org"


def day(ago: int) -> str:
    return (TODAY - timedelta(days=ago)).isoformat()


def concept(system: str = "", code: str = "", text: str = "") -> Resource:
    coding = {"coding": [{"system": system, "code": code}]} if code else {}
    return coding | ({"text": text} if text else {})


def order(technique: str, stimulus: str | None = None, **more: Any) -> Resource:
    found: Resource = {
        "resourceType": "ServiceRequest",
        "id": technique,
        "status": "active",
        "intent": "order",
        "code": concept(TECHNIQUES, technique),
        "subject": {"reference": "Patient/p"},
    }
    if stimulus:
        value = concept(f"{OWN}stimulus", stimulus)
        found["extension"] = [{"url": f"{EXTENSIONS}stimulus", "valueCodeableConcept": value}]
    return found | more


def flag(code: str, status: str = "active", **more: Any) -> Resource:
    named = concept(f"{OWN}caution", code)
    return {"resourceType": "Flag", "id": "f", "status": status, "code": named, **more}


def condition(
    code: Resource, clinical: str = "active", verified: str = "confirmed", **more: Any
) -> Resource:
    return {
        "resourceType": "Condition",
        "id": "c",
        "clinicalStatus": concept("clinical", clinical),
        "verificationStatus": concept("verification", verified),
        "code": code,
        **more,
    }


def allergy(code: Resource, clinical: str = "active", verified: str = "confirmed") -> Resource:
    return condition(code, clinical, verified) | {"resourceType": "AllergyIntolerance", "id": "a"}


def observation(
    code: Resource, when: str, value: Any, key: str = "o", status: str = "final", **more: Any
) -> Resource:
    found: Resource = {"resourceType": "Observation", "id": key, "status": status, "code": code}
    if isinstance(value, dict):
        found["valueCodeableConcept"] = value
    else:
        number, unit = value
        found["valueQuantity"] = {"value": number, "code": unit}
    return found | {"effectiveDateTime": when} | more


def tolerance(code: str, ago: int, key: str = "o") -> Resource:
    answer = concept(f"{OWN}tolerance", code)
    return observation(concept(f"{OWN}measure", "tolerance"), day(ago), answer, key)


def saturation(value: float, time: str, session: str = "Encounter/e") -> Resource:
    return observation(
        concept(LOINC, "2708-6"),
        f"{day(7)}T{time}:00Z",
        (value, "%"),
        f"s-{time}",
        encounter={"reference": session},
    )


def temperature(value: float, unit: str, when: str) -> Resource:
    return observation(concept(LOINC, "8310-5"), when, (value, unit), f"t-{when}")


def session(end: str) -> Resource:
    return {
        "resourceType": "Encounter",
        "id": "e",
        "status": "finished",
        "period": {"start": end[:10] + "T09:00:00Z", "end": end},
    }


def diet(**more: Any) -> Resource:
    return {"resourceType": "NutritionOrder", "id": "n", "status": "active", **more}


def convert(value: float, unit: str, wanted: str) -> float | None:
    if unit == wanted:
        return value
    return (value - 32) / 1.8 if (unit, wanted) == ("[degF]", "Cel") else None


def warned(record: list[Resource], *ordered: Resource) -> dict[str, Caution]:
    found = cautions(ordered, Record(record, TODAY.toordinal()), convert)
    return {each.key: each for each in found}


FARTHEST = order("palate-oval-strokes")
COLD = order("faucial-cold-strokes")
TAPS = order("perioral-taps")
SPEECH = order("slow-rate-overarticulation")
SWALLOW = order("swallow-trials")
LIPS = order("lip-ring-circles")

FIRES: list[tuple[str, Resource | list[Resource], Resource]] = [
    ("strong-gag", flag("strong-gag"), FARTHEST),
    ("strong-gag", condition(concept(text="Hyperactive gag reflex")), COLD),
    ("strong-gag", [tolerance("gag", 3, "o1"), tolerance("gag", 20, "o2")], FARTHEST),
    ("bite-reflex", flag("bite-reflex"), LIPS),
    (
        "bite-reflex",
        condition(concept(text="Tonic bite since injury")),
        order("lip-spread-strokes"),
    ),
    ("bite-reflex", tolerance("bite", 10), COLD),
    ("cold-sensitivity", flag("cold-sensitivity"), COLD),
    ("cold-sensitivity", condition(concept(ICD, "L50.2")), LIPS),
    ("flavour-allergy", allergy(concept(SNOMED, "418085001")), COLD),
    ("flavour-allergy", allergy(concept(text="Lemon juice")), SWALLOW),
    ("flavour-allergy", allergy(concept(text="No lemon!")), order("x", "flavoured-cold-probe")),
    ("flavour-allergy", flag("flavour-allergy"), LIPS),
    ("latex-allergy", allergy(concept(text="Latex")), TAPS),
    ("latex-allergy", condition(concept(ICD, "Z91.040")), order("tongue-press-resistance")),
    ("open-lesion", flag("open-lesion"), TAPS),
    ("open-lesion", condition(concept(ICD, "K12.30")), COLD),
    ("open-lesion", condition(concept(ICD, "S01.511A")), LIPS),
    ("open-lesion", condition(concept(text="Mouth ulcers")), FARTHEST),
    (
        "open-lesion",
        condition(concept(text="Tooth extraction"), onsetDateTime=day(10)),
        order("tongue-edge-glides"),
    ),
    (
        "open-lesion",
        {
            "resourceType": "Procedure",
            "id": "s",
            "status": "completed",
            "category": concept(SNOMED, "387713003"),
            "code": concept(text="Repair of tongue"),
            "performedDateTime": day(14),
        },
        COLD,
    ),
    ("nothing-by-mouth", flag("nothing-by-mouth"), SWALLOW),
    ("nothing-by-mouth", condition(concept(SNOMED, "182923009")), COLD),
    ("nothing-by-mouth", diet(oralDiet={"instruction": "NPO until reviewed"}), SWALLOW),
    ("nothing-by-mouth", diet(enteralFormula={"caloricDensity": {"value": 1}}), SWALLOW),
    (
        "nothing-by-mouth",
        observation(concept(f"{OWN}measure", "oral-intake-level"), day(400), (1, "{score}")),
        SWALLOW,
    ),
    (
        "thickened-drinks",
        diet(oralDiet={"fluidConsistencyType": [concept(SNOMED, "1237442003")]}),
        SWALLOW,
    ),
    (
        "thickened-drinks",
        diet(oralDiet={"fluidConsistencyType": [concept(SNOMED, "439021000124105")]}),
        order("effortful-swallow"),
    ),
    ("fluctuating-alertness", flag("fluctuating-alertness"), COLD),
    ("fluctuating-alertness", condition(concept(ICD, "F05")), SWALLOW),
    ("fluctuating-alertness", condition(concept(ICD, "R40.0")), FARTHEST),
    ("recent-chest-infection", flag("recent-chest-infection"), SWALLOW),
    (
        "recent-chest-infection",
        condition(concept(ICD, "J18.9"), "resolved", abatementDateTime=day(20)),
        COLD,
    ),
    (
        "recent-chest-infection",
        condition(concept(ICD, "J18.9"), "resolved", onsetDateTime=day(20)[:7]),
        SWALLOW,
    ),
    (
        "recent-chest-infection",
        condition(concept(ICD, "J69.0"), onsetDateTime=day(90)),
        order("tongue-base-strokes"),
    ),
    ("unexplained-fever", flag("unexplained-fever"), COLD),
    (
        "unexplained-fever",
        [session(f"{day(7)}T10:00:00Z"), temperature(38.4, "Cel", f"{day(6)}T08:00:00Z")],
        SWALLOW,
    ),
    (
        "unexplained-fever",
        [session(f"{day(7)}T10:00:00Z"), temperature(101.5, "[degF]", f"{day(6)}T08:00:00Z")],
        SWALLOW,
    ),
    ("saturation-falling", flag("saturation-falling"), COLD),
    ("saturation-falling", [saturation(97, "09:00"), saturation(94, "09:30")], SWALLOW),
    ("saturation-falling", tolerance("saturation-fall", 7), SWALLOW),
    ("breath-holding", condition(concept(ICD, "I50.22")), order("supraglottic-swallow")),
    ("neck-strain", condition(concept(ICD, "M50.20")), order("head-lift")),
]

DOES_NOT_FIRE: list[tuple[str, Resource | list[Resource], Resource]] = [
    # Not on record any more, or never was.
    ("strong-gag", flag("strong-gag", "inactive"), FARTHEST),
    ("strong-gag", flag("strong-gag", period={"end": day(2)}), FARTHEST),
    ("strong-gag", flag("strong-gag", "entered-in-error"), FARTHEST),
    ("strong-gag", condition(concept(text="Hyperactive gag reflex"), "resolved"), FARTHEST),
    ("strong-gag", condition(concept(text="Hyperactive gag reflex"), verified="refuted"), FARTHEST),
    ("strong-gag", condition(concept(text="Absent gag reflex")), FARTHEST),
    ("strong-gag", condition(concept(text="No hyperactive gag reflex")), FARTHEST),
    ("strong-gag", tolerance("gag", 3), FARTHEST),
    ("strong-gag", [tolerance("gag", 120, "o1"), tolerance("gag", 130, "o2")], FARTHEST),
    ("flavour-allergy", allergy(concept(text="Lemon"), verified="refuted"), COLD),
    ("flavour-allergy", allergy(concept(text="Lemon"), "inactive"), COLD),
    ("flavour-allergy", allergy(concept(text="No known citrus allergy")), COLD),
    ("flavour-allergy", allergy(concept(text="Penicillin")), COLD),
    ("flavour-allergy", condition(concept(text="Orange skin of the face")), COLD),
    ("open-lesion", condition(concept(ICD, "K11.7")), COLD),
    ("open-lesion", condition(concept(text="Tooth extraction"), onsetDateTime=day(200)), COLD),
    (
        "open-lesion",
        {
            "resourceType": "Procedure",
            "id": "s",
            "status": "completed",
            "category": concept(SNOMED, "387713003"),
            "code": concept(text="Repair of hip"),
            "performedDateTime": day(14),
        },
        COLD,
    ),
    ("nothing-by-mouth", flag("nothing-by-mouth", period={"end": day(1)}), SWALLOW),
    ("nothing-by-mouth", condition(concept(text="No longer nil by mouth")), SWALLOW),
    ("nothing-by-mouth", diet(status="completed", enteralFormula={"x": 1}), SWALLOW),
    (
        "nothing-by-mouth",
        diet(enteralFormula={"x": 1}, oralDiet={"instruction": "Tastes"}),
        SWALLOW,
    ),
    (
        "nothing-by-mouth",
        [
            observation(
                concept(f"{OWN}measure", "oral-intake-level"), day(40), (1, "{score}"), "1"
            ),
            observation(concept(f"{OWN}measure", "oral-intake-level"), day(4), (4, "{score}"), "2"),
        ],
        SWALLOW,
    ),
    (
        "thickened-drinks",
        diet(oralDiet={"fluidConsistencyType": [concept(SNOMED, "1231508001")]}),
        SWALLOW,
    ),
    (
        "recent-chest-infection",
        condition(concept(ICD, "J18.9"), "resolved", onsetDateTime=day(400), recordedDate=day(3)),
        SWALLOW,
    ),
    ("recent-chest-infection", condition(concept(ICD, "J45.909")), SWALLOW),
    (
        "recent-chest-infection",
        condition(concept(ICD, "J18.9"), "resolved", onsetDateTime="2025", recordedDate=day(3)),
        SWALLOW,
    ),
    (
        "unexplained-fever",
        [session(f"{day(7)}T10:00:00Z"), temperature(38.4, "Cel", f"{day(4)}T11:00:00Z")],
        SWALLOW,
    ),
    (
        "unexplained-fever",
        [session(f"{day(7)}T10:00:00Z"), temperature(38.4, "Cel", f"{day(7)}T08:00:00Z")],
        SWALLOW,
    ),
    (
        "unexplained-fever",
        [session(f"{day(7)}T10:00:00Z"), temperature(38.0, "Cel", f"{day(6)}T08:00:00Z")],
        SWALLOW,
    ),
    ("unexplained-fever", temperature(39.0, "Cel", f"{day(6)}T08:00:00Z"), SWALLOW),
    ("saturation-falling", [saturation(97, "09:00"), saturation(95, "09:30")], SWALLOW),
    ("saturation-falling", [saturation(94, "09:00"), saturation(97, "09:30")], SWALLOW),
    (
        "saturation-falling",
        [saturation(97, "09:00", "Encounter/e"), saturation(93, "09:30", "Encounter/f")],
        SWALLOW,
    ),
    (
        "saturation-falling",
        [saturation(97, "09:00"), saturation(94, "09:30") | {"status": "entered-in-error"}],
        SWALLOW,
    ),
    # On record, but the technique is not one it bears on.
    ("strong-gag", flag("strong-gag"), TAPS),
    ("bite-reflex", flag("bite-reflex"), TAPS),
    ("cold-sensitivity", flag("cold-sensitivity"), TAPS),
    ("cold-sensitivity", flag("cold-sensitivity"), order("tongue-edge-glides", "spatula")),
    ("flavour-allergy", flag("flavour-allergy"), TAPS),
    ("latex-allergy", allergy(concept(text="Latex")), SPEECH),
    ("open-lesion", flag("open-lesion"), SPEECH),
    ("nothing-by-mouth", flag("nothing-by-mouth"), SPEECH),
    ("nothing-by-mouth", flag("nothing-by-mouth"), TAPS),
    ("recent-chest-infection", flag("recent-chest-infection"), SPEECH),
    ("saturation-falling", flag("saturation-falling"), SPEECH),
    ("unexplained-fever", flag("unexplained-fever"), SPEECH),
    ("fluctuating-alertness", flag("fluctuating-alertness"), SPEECH),
    ("breath-holding", condition(concept(ICD, "I50.22")), order("effortful-swallow")),
    ("neck-strain", condition(concept(ICD, "M50.20")), SWALLOW),
    # Nothing is ordered any more.
    ("strong-gag", flag("strong-gag"), FARTHEST | {"status": "revoked"}),
    ("strong-gag", flag("strong-gag"), FARTHEST | {"doNotPerform": True}),
]


def _listed(record: Resource | list[Resource]) -> list[Resource]:
    return record if isinstance(record, list) else [record]


@pytest.mark.parametrize(("key", "record", "ordered"), FIRES)
def test_warning_fires(key: str, record: Resource | list[Resource], ordered: Resource) -> None:
    found = warned(_listed(record), ordered)
    assert key in found
    assert found[key].findings
    assert found[key].wording.endswith(LEFT_TO)


@pytest.mark.parametrize(("key", "record", "ordered"), DOES_NOT_FIRE)
def test_warning_does_not_fire(
    key: str, record: Resource | list[Resource], ordered: Resource
) -> None:
    assert key not in warned(_listed(record), ordered)


def test_every_rule_is_tried_both_ways() -> None:
    keys = {rule.key for rule in rules()}
    assert {key for key, _, _ in FIRES} == keys
    assert {key for key, _, _ in DOES_NOT_FIRE} >= keys - {"bite-reflex", "latex-allergy"}


def test_client_of_whom_nothing_is_known_gets_no_warning_and_no_all_clear() -> None:
    assert warned([], COLD, SWALLOW, FARTHEST) == {}
    assert "no warning is no all-clear" in NO_ALL_CLEAR
    assert NO_ALL_CLEAR.endswith(LEFT_TO)


def test_technique_that_no_file_describes_is_taken_as_concerned() -> None:
    assert "strong-gag" in warned([flag("strong-gag")], order("never-heard-of"))


def test_order_of_something_else_is_left_aside() -> None:
    referral = order("x") | {"code": concept(text="Referral to dietitian")}
    assert warned([flag("strong-gag"), flag("bite-reflex")], referral) == {}


def test_stimulus_of_the_order_counts_before_that_of_the_technique() -> None:
    assert "cold-sensitivity" in warned([flag("cold-sensitivity")], order("lip-ring-circles"))
    dry = order("lip-ring-circles", "dry-swab")
    assert "cold-sensitivity" not in warned([flag("cold-sensitivity")], dry)


def test_warning_found_by_words_says_so_and_one_by_code_does_not() -> None:
    worded = warned([allergy(concept(text="Lemon"))], COLD)["flavour-allergy"]
    coded = warned([allergy(concept(SNOMED, "418085001", "Citrus"))], COLD)["flavour-allergy"]
    assert "AllergyIntolerance/a (Lemon, by its words)" in worded.text
    assert "AllergyIntolerance/a (Citrus)" in coded.text


def test_warning_names_the_techniques_it_bears_on_and_its_source() -> None:
    found = warned([flag("strong-gag")], COLD, TAPS, FARTHEST)["strong-gag"]
    assert found.techniques == (
        "Chilled rapid strokes on the faucial arches",
        "Strokes on the oval area of the soft palate",
    )
    assert "Source: common practice, no source." in found.text


def test_plan_is_looked_into_through_its_orders_and_what_it_contains() -> None:
    contained = {
        "resourceType": "CarePlan",
        "status": "draft",
        "contained": [
            {
                "resourceType": "RequestGroup",
                "id": "group",
                "status": "draft",
                "action": [{"action": [{"resource": {"reference": "#request-1"}}]}],
            },
            FARTHEST | {"id": "request-1"},
        ],
        "activity": [{"reference": {"reference": "#group"}}],
    }
    referring = {
        "resourceType": "CarePlan",
        "status": "active",
        "activity": [
            {"reference": {"reference": "ServiceRequest/1"}},
            {"reference": {"reference": "ServiceRequest/missing"}},
        ],
    }
    detailed = {
        "resourceType": "CarePlan",
        "status": "active",
        "activity": [{"detail": {"status": "scheduled", "code": FARTHEST["code"]}}],
    }
    record = Record([flag("strong-gag")], TODAY.toordinal())
    held: Mapping[str, Resource] = {"ServiceRequest/1": FARTHEST}
    for plan in (contained, referring, detailed):
        (found,) = cautions([plan], record, convert, held=held)
        assert found.key == "strong-gag"
        assert cautions([plan | {"status": "completed"}], record, convert, held=held) == []


def test_session_as_given_is_looked_at_and_what_was_left_out_is_not() -> None:
    given = FARTHEST | {"resourceType": "Procedure", "status": "completed"}
    assert "strong-gag" in warned([flag("strong-gag")], given)
    assert warned([flag("strong-gag")], given | {"status": "not-done"}) == {}


def test_issue_is_offered_as_preliminary_and_leads_to_what_is_on_record() -> None:
    found = warned([flag("strong-gag")], COLD)["strong-gag"]
    issue = detected_issue(found, "Patient/p", "2026-11-25T10:00:00+00:00")
    assert issue["status"] == "preliminary"
    assert issue["code"]["coding"][0]["code"] == "strong-gag"
    assert issue["evidence"] == [{"detail": [{"reference": "Flag/f"}]}]


@pytest.mark.parametrize("path", sorted(mappings("cautions").glob("*.json")), ids=lambda p: p.stem)
def test_rule_file_has_all_its_facts(path: Any) -> None:
    data = json.loads(path.read_bytes())
    assert data["key"] == path.stem
    assert data["wording"].endswith(LEFT_TO)
    assert "no source" in data["source"] or any(digit in data["source"] for digit in "0123456789")
    named = {
        code
        for sign in data["when"]
        if sign["type"] == "Flag"
        for codes in sign["codes"]
        for code in codes["codes"]
    }
    assert named == {data["key"]}


def test_codes_read_second_hand_are_marked_so() -> None:
    """SNOMED CT codes of the core package (grade A): surgical procedure; consistency types."""
    core = {
        concept["code"]
        for name in ("procedure-category", "consistency-type")
        for include in package()[f"ValueSet-{name}"]["compose"]["include"]
        for concept in include["concept"]
    }
    for rule in rules():
        for sign in rule.when:
            for each in sign.codes:
                if each.system == SNOMED:
                    assert (each.grade == "A") == (set(each.codes) <= core)


def test_diagnoses_are_codes_or_headings_of_icd_10_cm() -> None:
    """Source: the tabular list as carried by simple-icd-10-cm on PyPI."""
    icd = pytest.importorskip("simple_icd_10_cm")
    used = {
        code
        for rule in rules()
        for sign in rule.when
        for each in sign.codes
        if each.system == ICD
        for code in each.codes
    }
    assert len(used) > 30
    assert {code for code in used if not icd.is_valid_item(code)} == set()


def test_vital_signs_are_those_of_the_official_value_set() -> None:
    """Source: ValueSet observation-vitalsignresult of hl7.fhir.r4.core 4.0.1."""
    listed = {
        concept["code"]
        for include in package()["ValueSet-observation-vitalsignresult"]["compose"]["include"]
        for concept in include["concept"]
    }
    assert {"2708-6", "8310-5"} <= listed


@pytest.mark.parametrize(
    "change",
    [
        {"severity": "terrible"},
        {"wording": "All is well."},
        {"source": ""},
        {"when": []},
        {"when": [{"type": "Flag", "kodes": []}]},
        {"when": [{"type": "Observation", "within_days": 3}]},
        {"when": [{"type": "Procedure", "words": ["tongue"]}]},
        {"when": [{"type": "Condition"}]},
        {"concerns": {"lissted": []}},
        {"colour": "blue"},
        {"key": "no-such-caution"},
    ],
)
def test_rule_that_is_not_well_made_is_refused(change: Resource) -> None:
    data = json.loads(mappings("cautions", "strong-gag.json").read_bytes())
    titles = {"strong-gag": "Strong gag reflex"}
    assert rule_of(data, titles).key == "strong-gag"
    with pytest.raises((KeyError, TypeError, ValueError)):
        rule_of(data | change, titles)
