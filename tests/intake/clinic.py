"""What does the invented clinic of a test send? Invented people, invented values."""

from __future__ import annotations

from typing import Any

import httpx

Json = dict[str, Any]

OWN = "https://hyoid.example/fhir/CodeSystem/"


def own(kind: str, code: str) -> Json:
    """A CodeableConcept of ours."""
    return {"coding": [{"system": OWN + kind, "code": code}]}


class Clinic:
    """A clinic whose numbers nobody else uses."""

    def __init__(self, http: httpx.Client, name: str) -> None:
        self.http = http
        self.name = name
        self.ids = f"https://{name}.example/ids/"
        self.patient = f"Patient/{name}"

    def set_up(self) -> None:
        """A client with a plan and two orders, and a therapist."""
        self.put("Patient", self.name, identifier=[self.number("client", "C-1")])
        self.put("Practitioner", f"{self.name}-t", identifier=[self.number("staff", "T-1")])
        subject = {"reference": self.patient}
        self.put(
            "CarePlan",
            f"{self.name}-plan",
            status="active",
            intent="plan",
            subject=subject,
            period={"start": "2025-09-01", "end": "2025-12-31"},
        )
        for technique in ("faucial-cold-strokes", "lip-closure-resistance"):
            self.put(
                "ServiceRequest",
                f"{self.name}-{technique}",
                status="active",
                intent="order",
                subject=subject,
                code=own("technique", technique),
                basedOn=[{"reference": f"CarePlan/{self.name}-plan"}],
            )

    def number(self, kind: str, value: str) -> Json:
        """An Identifier of this clinic."""
        return {"system": self.ids + kind, "value": value}

    def put(self, kind: str, key: str, **content: Any) -> None:
        """A resource under an id."""
        body = {"resourceType": kind, "id": key, **content}
        answer = self.http.put(f"/fhir/{kind}/{key}", json=body)
        assert answer.is_success, answer.text

    def note(self, session: str = "S-1", **more: Any) -> Json:
        """A small session note."""
        found: Json = {
            "session": session,
            "client": "C-1",
            "therapist": "T-1",
            "start": "2025-11-02T09:00",
            "end": "2025-11-02T09:45",
            "techniques": [
                {
                    "technique": "faucial-cold-strokes",
                    "strokesPerSide": 5,
                    "trials": 10,
                    "successes": 7,
                    "response": "partial",
                }
            ],
            "measures": [{"measure": "swallow-delay", "value": 2.5, "unit": "s"}],
        }
        return found | more

    def send(self, *notes: Json, **options: Any) -> httpx.Response:
        """Post notes as one request."""
        accept = options.pop("accept", "application/json")
        body = {"clinic": {"identifiers": self.ids, "timeZone": "-07:00"}, "sessions": list(notes)}
        return self.http.post(
            "/intake/sessions", json=body, params=options, headers={"Accept": accept}
        )

    def send_table(self, table: str | bytes, **options: Any) -> httpx.Response:
        """Post a table."""
        params = {"identifiers": self.ids, "timeZone": "-07:00"} | options
        return self.http.post(
            "/intake/sessions",
            content=table.encode() if isinstance(table, str) else table,
            params=params,
            headers={"Content-Type": "text/csv"},
        )

    def found(self, kind: str, **criteria: Any) -> list[Json]:
        """What the FHIR interface finds."""
        answer = self.http.get(f"/fhir/{kind}", params={"_count": 1000, **criteria})
        assert answer.is_success, answer.text
        return [entry["resource"] for entry in answer.json().get("entry", [])]

    def of_client(self, kind: str) -> list[Json]:
        """All resources of a type in the client's record."""
        return self.found(kind, patient=self.patient)


def only(answer: httpx.Response) -> Json:
    """The answer to the only session of a request."""
    (found,) = answer.json()["sessions"]
    return dict(found)


def places(answer: Json, severity: str = "error") -> list[str]:
    """Where the findings of a session lie."""
    return [issue["where"] for issue in answer["issues"] if issue["severity"] == severity]
