"""A clinic's own codes are translated by its maps; codes that are not there are refused."""

from __future__ import annotations

from tests.intake.clinic import Clinic, only, places


def test_local_codes_are_translated_by_a_posted_map(clinic: Clinic) -> None:
    local = f"https://{clinic.name}.example/codes"
    clinic.put(
        "ConceptMap",
        f"{clinic.name}-codes",
        url=f"https://{clinic.name}.example/map",
        status="active",
        group=[
            {
                "source": local,
                "target": "https://hyoid.example/fhir/CodeSystem/technique",
                "element": [
                    {
                        "code": "TTA",
                        "target": [{"code": "faucial-cold-strokes", "equivalence": "equivalent"}],
                    }
                ],
            }
        ],
    )
    techniques = [
        {"technique": {"system": local, "code": "TTA", "display": "Cold strokes"}},
        {"technique": {"system": local, "code": "ZZZ", "display": "House special"}},
    ]
    told = only(clinic.send(clinic.note(techniques=techniques)))
    assert told["status"] == "stored"
    assert places(told, "warning") == ["/sessions/0/techniques/1/technique"]
    found = {one["code"]["text"]: one["code"]["coding"] for one in clinic.of_client("Procedure")}
    assert [each["code"] for each in found["Cold strokes"]] == ["faucial-cold-strokes", "TTA"]
    assert found["House special"] == [{"system": local, "code": "ZZZ", "display": "House special"}]
    strict = clinic.send(clinic.note("S-2", techniques=techniques), strict="true")
    assert strict.status_code == 422
    assert places(only(strict)) == ["/sessions/0/techniques/1/technique"]
    assert only(clinic.send(clinic.note("S-2")))["status"] == "stored"


def test_a_code_of_ours_that_does_not_exist_is_refused(clinic: Clinic) -> None:
    system = "https://hyoid.example/fhir/CodeSystem/technique"
    techniques = [{"technique": {"system": system, "code": "levitation"}}]
    answer = only(clinic.send(clinic.note(techniques=techniques)))
    assert places(answer) == ["/sessions/0/techniques/0/technique"]


def test_codes_of_a_clinic_that_is_mapped_here_are_translated(clinic: Clinic) -> None:
    """By the shipped example maps of Juniper Bend (mappings/concept-maps)."""
    techniques = [
        {"technique": "TTS-F", "response": "++"},
        {"technique": "BOT", "status": "not-done", "reason": "TIRED"},
        {"technique": "head-lift"},
    ]
    note = clinic.note(techniques=techniques)
    told = only(clinic.send(note, localCodes="https://juniper-bend.example/codes/"))
    assert (told["status"], told["issues"]) == ("stored", [])
    codes = {
        tuple(each["code"] for each in one["code"]["coding"])
        for one in clinic.of_client("Procedure")
    }
    assert codes == {
        ("faucial-cold-strokes", "TTS-F"),
        ("tongue-base-strokes", "BOT"),
        ("head-lift",),
    }
    (left_out,) = [one for one in clinic.of_client("Procedure") if one["status"] == "not-done"]
    assert left_out["statusReason"]["coding"][0]["code"] == "fatigue"
