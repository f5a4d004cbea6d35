"""A clinic system's day: it sends plans and sessions, loses the connection, and sends again.

    python examples/clinic_day.py [http://127.0.0.1:8000/fhir]

Once is once: every resource carries the clinic's own number and is created only if there is none
with it (`ifNoneExist`), and a transaction is stored whole or not at all. So after a lost
connection the clinic system may simply send everything again. People and places are invented.

http://hl7.org/fhir/R4/http.html#transaction
"""

from __future__ import annotations

import sys
from typing import Any
from uuid import NAMESPACE_URL, uuid5

import httpx

Json = dict[str, Any]

IDS = "https://riverbank.example/ids/"
OURS = "https://hyoid.example/fhir/CodeSystem/"
UCUM = "http://unitsofmeasure.org"
DAY = "2026-11-18"

CLIENTS = (("R-201", "Wren", "Hallowmere", "female"), ("R-202", "Caspian", "Thornwick", "male"))
SESSIONS = (("R-201", "09:00"), ("R-202", "10:00"), ("R-201", "15:00"))


def coded(system: str, code: str, display: str) -> Json:
    return {"coding": [{"system": OURS + system, "code": code, "display": display}]}


def urn(kind: str, number: str) -> str:
    return f"urn:uuid:{uuid5(NAMESPACE_URL, IDS + kind + '|' + number)}"


def by_number(resource_type: str, kind: str, number: str) -> Json:
    """A reference to what was sent in an earlier transaction, by the clinic's own number."""
    return {"reference": f"{resource_type}?identifier={IDS}{kind}|{number}"}


def entry(resource_type: str, kind: str, number: str, content: Json) -> Json:
    """Create this unless there is one with the same number."""
    identifier = {"system": IDS + kind, "value": number}
    return {
        "fullUrl": urn(kind, number),
        "resource": {"resourceType": resource_type, "identifier": [identifier], **content},
        "request": {
            "method": "POST",
            "url": resource_type,
            "ifNoneExist": f"identifier={IDS}{kind}|{number}",
        },
    }


def transaction(*entries: Json) -> Json:
    return {"resourceType": "Bundle", "type": "transaction", "entry": list(entries)}


def plan(number: str, given: str, family: str, gender: str) -> Json:
    """A client with a goal, an ordered technique with its dose, and the plan that holds them."""
    subject = {"reference": urn("client", number)}
    technique = coded("technique", "lip-closure-resistance", "Lip closure against resistance")
    measure = coded("measure", "lip-closure-time", "Lip closure time")
    minute = {"value": 60, "unit": "s", "system": UCUM, "code": "s"}
    return transaction(
        entry(
            "Patient",
            "client",
            number,
            {"name": [{"family": family, "given": [given]}], "gender": gender},
        ),
        entry(
            "Goal",
            "goal",
            number,
            {
                "lifecycleStatus": "active",
                "description": {"text": "Keeps the lips closed for a minute"},
                "subject": subject,
                "target": [
                    {"measure": measure, "detailRange": {"low": minute}, "dueDate": "2027-02-26"}
                ],
            },
        ),
        entry(
            "ServiceRequest",
            "order",
            number,
            {
                "status": "active",
                "intent": "order",
                "code": technique,
                "subject": subject,
                "quantityQuantity": {"value": 15, "system": UCUM, "code": "{count}"},
                "occurrenceTiming": {"repeat": {"frequency": 2, "period": 1, "periodUnit": "wk"}},
                "bodySite": [coded("oral-region", "lips", "Lips")],
            },
        ),
        entry(
            "CarePlan",
            "plan",
            number,
            {
                "status": "active",
                "intent": "plan",
                "title": "Lip closure",
                "subject": subject,
                "period": {"start": "2026-11-16"},
                "goal": [{"reference": urn("goal", number)}],
                "activity": [{"reference": {"reference": urn("order", number)}}],
            },
        ),
    )


def session(client: str, at: str, repetitions: int, seconds: float) -> Json:
    """A visit, the technique as delivered in it, and the measure taken after it."""
    number = f"{client}-{DAY}-{at.replace(':', '')}"
    subject = by_number("Patient", "client", client)
    start, end = f"{DAY}T{at}:00-07:00", f"{DAY}T{at[:2]}:40:00-07:00"
    encounter = {"reference": urn("session", number)}
    dose = {
        "url": "https://hyoid.example/fhir/StructureDefinition/dose",
        "extension": [{"url": "repetitions", "valueUnsignedInt": repetitions}],
    }
    return transaction(
        entry(
            "Encounter",
            "session",
            number,
            {
                "status": "finished",
                "class": {
                    "system": "http://terminology.hl7.org/CodeSystem/v3-ActCode",
                    "code": "AMB",
                },
                "subject": subject,
                "period": {"start": start, "end": end},
            },
        ),
        entry(
            "Procedure",
            "delivered",
            number,
            {
                "extension": [dose],
                "status": "completed",
                "basedOn": [
                    by_number("ServiceRequest", "order", client),
                    by_number("CarePlan", "plan", client),
                ],
                "code": coded(
                    "technique", "lip-closure-resistance", "Lip closure against resistance"
                ),
                "subject": subject,
                "encounter": encounter,
                "performedPeriod": {"start": start, "end": end},
            },
        ),
        entry(
            "Observation",
            "measured",
            number,
            {
                "status": "final",
                "basedOn": [by_number("CarePlan", "plan", client)],
                "partOf": [{"reference": urn("delivered", number)}],
                "code": coded("measure", "lip-closure-time", "Lip closure time"),
                "subject": subject,
                "encounter": encounter,
                "effectiveDateTime": end,
                "valueQuantity": {"value": seconds, "unit": "s", "system": UCUM, "code": "s"},
            },
        ),
    )


def send(http: httpx.Client, bundle: Json) -> list[str]:
    """Post a transaction; the answer tells for each entry whether it was made now (201)."""
    answer = http.post("", json=bundle)
    answer.raise_for_status()
    return [item["response"]["status"][:3] for item in answer.json()["entry"]]


def send_and_lose(http: httpx.Client, bundle: Json) -> str:
    """Post a transaction, but hang up before the answer can come."""
    try:
        http.post("", json=bundle, timeout=httpx.Timeout(10, read=0.001))
    except httpx.TransportError:
        return "hung up before the answer came"
    return "the answer came at once; thrown away"


def how_many(http: httpx.Client, item: Json) -> int:
    """How many resources the service holds under the number of this entry."""
    own = item["resource"]["identifier"][0]
    found = http.get(
        item["request"]["url"], params={"identifier": f"{own['system']}|{own['value']}"}
    )
    found.raise_for_status()
    return len(found.json().get("entry", []))


def tell(http: httpx.Client) -> int:
    """The whole day; gives the number of resources that are not there exactly once."""
    plans = [plan(*client) for client in CLIENTS]
    visits = [
        session(client, at, 12 + place, 31.5 + place) for place, (client, at) in enumerate(SESSIONS)
    ]
    for bundle in plans:
        print("plan sent:   ", *send(http, bundle))
    print("session sent:", *send(http, visits[0]))
    for bundle in visits[1:]:
        print("session lost:", send_and_lose(http, bundle))
    for bundle in plans + visits:
        print("sent again:  ", *send(http, bundle))
    entries = [item for bundle in plans + visits for item in bundle["entry"]]
    wrong = sum(how_many(http, item) != 1 for item in entries)
    if not wrong:
        print(f"once is once: {len(entries)} resources sent twice, each there exactly once")
    return wrong


def main(base: str = "http://127.0.0.1:8000/fhir") -> int:
    headers = {"Accept": "application/fhir+json"}
    with httpx.Client(base_url=base, headers=headers, timeout=30) as http:
        try:
            wrong = tell(http)
        except httpx.HTTPError as problem:
            print(f"DISAGREEMENT: {problem}")
            return 1
    if wrong:
        print(f"DISAGREEMENT: {wrong} resources are not there exactly once")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:2]))
