"""Who works at the clinic, where, and with what? The first Bundle sets this up.

Everybody here is invented. Telephone numbers are from the range kept free for fiction.
"""

from __future__ import annotations

from .codes import Json, concept, hl7, own, snomed
from .elements import identifier, narrative, reference
from .transactions import put, transaction

CLINIC = "Organization/juniper-bend"
CLINIC_NAME = "Juniper Bend Speech and Swallowing Clinic"
ROOM = "Location/juniper-bend-rooms"
KITCHEN = "Location/juniper-bend-kitchen"
BULB = "Device/pressure-bulb"

THERAPISTS = {
    "oriel-tamsworth": ("Oriel", "Tamsworth", "female", "T-01"),
    "devran-larkmoor": ("Devran", "Larkmoor", "male", "T-02"),
    "ysolde-feldbrook": ("Ysolde", "Feldbrook", "female", "T-03"),
}

_ADDRESS = {
    "use": "work",
    "line": ["12 Cottonwood Row"],
    "city": "Juniper Bend",
    "state": "AZ",
    "postalCode": "85999",
    "country": "US",
}


def therapist(slug: str) -> str:
    """The reference of a therapist."""
    return f"Practitioner/{slug}"


def therapist_name(slug: str) -> str:
    """The name of a therapist."""
    given, family, _, _ = THERAPISTS[slug]
    return f"{given} {family}"


def _organization() -> Json:
    return {
        "resourceType": "Organization",
        "id": "juniper-bend",
        "text": narrative(CLINIC_NAME, [("Town", "Juniper Bend (invented)")]),
        "identifier": [identifier("organization", "juniper-bend")],
        "active": True,
        "type": [concept(hl7("organization-type", "prov", "Healthcare Provider"))],
        "name": CLINIC_NAME,
        "telecom": [{"system": "phone", "value": "+1 928 555 0100", "use": "work"}],
        "address": [_ADDRESS],
    }


def _location(target: str, name: str, description: str) -> Json:
    slug = target.split("/")[1]
    return {
        "resourceType": "Location",
        "id": slug,
        "identifier": [identifier("location", slug)],
        "status": "active",
        "name": name,
        "description": description,
        "mode": "instance",
        "address": _ADDRESS,
        "physicalType": concept(hl7("location-physical-type", "ro", "Room")),
        "managingOrganization": reference(CLINIC),
    }


def _practitioner(slug: str) -> Json:
    given, family, gender, number = THERAPISTS[slug]
    return {
        "resourceType": "Practitioner",
        "id": slug,
        "identifier": [identifier("staff", number)],
        "active": True,
        "name": [{"use": "official", "family": family, "given": [given]}],
        "telecom": [{"system": "email", "value": f"{slug}@juniper-bend.example", "use": "work"}],
        "gender": gender,
    }


def _role(slug: str) -> Json:
    return {
        "resourceType": "PractitionerRole",
        "id": f"{slug}-role",
        "identifier": [identifier("role", THERAPISTS[slug][3])],
        "active": True,
        "practitioner": reference(therapist(slug), therapist_name(slug)),
        "organization": reference(CLINIC, CLINIC_NAME),
        "code": [concept(snomed("159026005"), text="Speech and language therapist")],
        "specialty": [concept(snomed("394602003"))],
        "location": [reference(ROOM), reference(KITCHEN)],
    }


def _bulb() -> Json:
    return {
        "resourceType": "Device",
        "id": "pressure-bulb",
        "identifier": [identifier("device", "B-1")],
        "status": "active",
        "deviceName": [{"name": "Oral pressure bulb 1", "type": "user-friendly-name"}],
        "type": concept(
            own("measuring-device", "tongue-bulb-1"),
            text="Air-filled oral pressure bulb with manometer",
        ),
        "owner": reference(CLINIC),
        "note": [
            {"text": "Norms depend on the bulb and where it is placed; do not mix with others."}
        ],
    }


def set_up() -> Json:
    """The Bundle with organisation, rooms, therapists, their roles and the pressure bulb."""
    resources = [
        _organization(),
        _location(ROOM, "Therapy rooms", "Two quiet rooms for speech and oral-motor work."),
        _location(KITCHEN, "Practice kitchen", "A kitchen for meals and drinks under supervision."),
        *(_practitioner(slug) for slug in THERAPISTS),
        *(_role(slug) for slug in THERAPISTS),
        _bulb(),
    ]
    return transaction(put(resource) for resource in resources)
