"""How do the tests of $document ask, and what do they look at? Over HTTP, on both engines."""

from __future__ import annotations

import json
from typing import Any

import httpx

Resource = dict[str, Any]


BASE = "https://clinic.example/fhir"


def write(fhir: httpx.Client, name: str, **more: str) -> httpx.Response:
    return fhir.post("Composition/$document", params={"plan": name, **more})


def same_but_name_and_time(document: Resource) -> bytes:
    kept = {k: v for k, v in document.items() if k not in ("identifier", "timestamp")}
    return json.dumps(kept).encode()


def attest(fhir: httpx.Client, plan: str, composition: Resource) -> None:
    signed = composition | {
        "status": "final",
        "attester": [
            {
                "mode": "professional",
                "time": "2026-04-30T10:00:00-07:00",
                "party": {"reference": f"Practitioner/{plan}-therapist"},
            }
        ],
    }
    fhir.put(f"Composition/{composition['id']}", json=signed).raise_for_status()


def foreign(plan: str, **more: Any) -> Resource:
    div = (
        '<div xmlns="http://www.w3.org/1999/xhtml"><p>See <a href="https://x.example/">there</a>'
        '<a name="mark"/> <span style="color: red">red</span></p></div>'
    )
    return {
        "resourceType": "Composition",
        "id": f"{plan}-theirs",
        "status": "final",
        "type": {"coding": [{"system": "http://loinc.org", "code": "28571-8"}]},
        "subject": {"reference": f"Patient/c-{plan}"},
        "date": "2026-04-01",
        "author": [{"reference": f"Practitioner/{plan}-therapist"}],
        "title": "Theirs <i>",
        "section": [
            {
                "title": "One",
                "text": {"status": "additional", "div": div},
                "entry": [{"reference": f"Condition/{plan}-dysphagia"}],
            }
        ],
    } | more


def page(fhir: httpx.Client, key: str, accept: str = "text/html") -> httpx.Response:
    return fhir.get(f"Composition/{key}/$document", headers={"Accept": accept})
