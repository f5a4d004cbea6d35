"""Who are the clients, and what must be known of them before a session?

Patient, RelatedPerson, CareTeam, Condition, AllergyIntolerance and Flag. All people are invented.
"""

from __future__ import annotations

from .codes import Json, concept, hl7, own
from .elements import identifier, narrative, period, reference
from .model import Allergy, Caution, Client, Course, Problem
from .staff import CLINIC, CLINIC_NAME, therapist, therapist_name
from .weeks import FRIDAY, Year

DEFER = "Defer to local rules and the licensed therapist."


def patient(course: Course) -> Json:
    """The client."""
    client = course.client
    rows = [
        ("Born", client.born.isoformat()),
        ("Gender", client.gender),
        ("Therapist", therapist_name(course.therapist)),
        ("Helped at home by", f"{client.helper_given} {client.helper_family}"),
    ]
    return {
        "resourceType": "Patient",
        "id": client.slug,
        "text": narrative(f"{client.name} (invented)", rows),
        "identifier": [identifier("client", client.number) | {"use": "usual"}],
        "active": True,
        "name": [{"use": "official", "family": client.family, "given": [client.given]}],
        "telecom": [{"system": "phone", "value": client.phone, "use": "home"}],
        "gender": client.gender,
        "birthDate": client.born.isoformat(),
        "address": [
            {
                "use": "home",
                "line": [client.street],
                "city": "Juniper Bend",
                "state": "AZ",
                "postalCode": "85999",
                "country": "US",
            }
        ],
        "communication": [
            {
                "language": {
                    "coding": [{"system": "urn:ietf:bcp:47", "code": "en", "display": "English"}]
                },
                "preferred": True,
            }
        ],
        "managingOrganization": reference(CLINIC, CLINIC_NAME),
    }


def helper(client: Client) -> Json:
    """The person who helps with practice at home."""
    code, words = client.helper_role
    return {
        "resourceType": "RelatedPerson",
        "id": client.helper.split("/")[1],
        "identifier": [identifier("helper", client.number)],
        "active": True,
        "patient": reference(client.reference, client.name),
        "relationship": [concept(hl7("v3-RoleCode", code, words))],
        "name": [{"family": client.helper_family, "given": [client.helper_given]}],
        "telecom": [{"system": "phone", "value": client.phone, "use": "home"}],
    }


def care_team(course: Course, year: Year) -> Json:
    """Client, therapist and helper."""
    client = course.client
    first = min(block.first_week for block in course.blocks)
    return {
        "resourceType": "CareTeam",
        "id": f"{client.slug}-team",
        "identifier": [identifier("team", client.number)],
        "status": "active",
        "name": f"Care team of {client.name}",
        "subject": reference(client.reference, client.name),
        "period": period(year.day(first).isoformat()),
        "participant": [
            {"member": reference(client.reference, client.name)},
            {
                "role": [concept(text="Treating therapist")],
                "member": reference(
                    f"PractitionerRole/{course.therapist}-role", therapist_name(course.therapist)
                ),
            },
            {"role": [concept(text="Help with home practice")], "member": reference(client.helper)},
        ],
        "managingOrganization": [reference(CLINIC, CLINIC_NAME)],
    }


def condition(course: Course, problem: Problem, year: Year, recorded_week: int) -> Json:
    """A problem the therapy addresses or must heed."""
    client = course.client
    status = ("confirmed", "Confirmed") if problem.confirmed else ("provisional", "Provisional")
    found: Json = {
        "resourceType": "Condition",
        "id": f"{client.slug}-{problem.slug}",
        "identifier": [identifier("problem", f"{client.number}-{problem.slug}")],
        "clinicalStatus": concept(hl7("condition-clinical", "active", "Active")),
        "verificationStatus": concept(hl7("condition-ver-status", *status)),
        "category": [concept(hl7("condition-category", "problem-list-item", "Problem List Item"))],
        "code": concept(*problem.codings, text=problem.text),
        "subject": reference(client.reference, client.name),
        "onsetDateTime": year.day(problem.onset_week).isoformat(),
        "recordedDate": year.day(recorded_week, FRIDAY).isoformat(),
        "recorder": reference(therapist(course.therapist)),
    }
    if problem.note:
        found["note"] = [{"text": problem.note}]
    return found


def allergy(course: Course, known: Allergy, year: Year, recorded_week: int) -> Json:
    """An allergy that decides about gloves, bulbs or flavours."""
    client = course.client
    return {
        "resourceType": "AllergyIntolerance",
        "id": f"{client.slug}-{known.slug}",
        "identifier": [identifier("allergy", f"{client.number}-{known.slug}")],
        "clinicalStatus": concept(hl7("allergyintolerance-clinical", "active", "Active")),
        "verificationStatus": concept(
            hl7("allergyintolerance-verification", "confirmed", "Confirmed")
        ),
        "type": "allergy",
        "category": [known.category],
        "criticality": "unable-to-assess",
        "code": concept(*known.codings, text=known.text),
        "patient": reference(client.reference, client.name),
        "recordedDate": year.day(recorded_week, FRIDAY).isoformat(),
        "recorder": reference(therapist(course.therapist)),
        "note": [{"text": f"Reported by the client. {DEFER}"}],
    }


def flag(course: Course, caution: Caution, year: Year, first_week: int) -> Json:
    """What a therapist wants to read before the session."""
    client = course.client
    return {
        "resourceType": "Flag",
        "id": f"{client.slug}-{caution.slug}",
        "identifier": [identifier("flag", f"{client.number}-{caution.slug}")],
        "status": "active",
        "category": [concept(hl7("flag-category", "safety", "Safety"))],
        "code": concept(own("caution", caution.code), text=f"{caution.text} {DEFER}"),
        "subject": reference(client.reference, client.name),
        "period": period(year.day(first_week, FRIDAY).isoformat()),
        "author": reference(therapist(course.therapist)),
    }


def about(course: Course, year: Year) -> list[Json]:
    """Everything about the client that stands before the first plan."""
    week = course.plans[0].stages[0].week
    return [
        patient(course),
        helper(course.client),
        care_team(course, year),
        *(condition(course, problem, year, week) for problem in course.problems),
        *(allergy(course, known, year, week) for known in course.allergies),
        *(flag(course, caution, year, week) for caution in course.cautions),
    ]
