"""A clinic system that has never heard of FHIR sends session notes, loses the line, sends again.

    python examples/clinic_notes.py [http://127.0.0.1:8000]

The clinic's own number of a session is the key: what was stored before is `unchanged`, whatever
became of the answer. Then a month of sessions follows as a table (examples/sessions.csv), and a
correction. Only the two clients are sent as FHIR, as whoever keeps the record would do. People and
places are invented.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import httpx

Json = dict[str, Any]

IDS = "https://riverbank.example/ids/"
CLIENTS = (("R-201", "Wren", "Hallowmere"), ("R-202", "Caspian", "Thornwick"))
DAY = "2025-11-18"
TABLE = Path(__file__).parent / "sessions.csv"


def client_known(http: httpx.Client, number: str, given: str, family: str) -> None:
    """Create the client unless there is one with this number."""
    identifier = {"system": IDS + "client", "value": number}
    name = [{"given": [given], "family": family}]
    http.post(
        "/fhir/Patient",
        json={"resourceType": "Patient", "identifier": [identifier], "name": name},
        headers={"If-None-Exist": f"identifier={IDS}client|{number}"},
    ).raise_for_status()


def note(client: str, at: str, repetitions: int, seconds: float) -> Json:
    """A session as the clinic's own system has it."""
    return {
        "session": f"{client}-N{DAY}-{at[:2]}",
        "client": client,
        "start": f"{DAY}T{at}",
        "end": f"{DAY}T{at[:2]}:40",
        "techniques": [
            {
                "technique": "lip-closure-resistance",
                "region": "lips",
                "repetitions": repetitions,
                "successes": repetitions - 2,
                "response": "partial",
            }
        ],
        "measures": [{"measure": "lip-closure-time", "value": seconds, "unit": "s"}],
        "vitalSigns": [{"measure": "oxygen-saturation", "value": 97, "unit": "%"}],
        "next": "Two more repetitions.",
    }


def day() -> Json:
    """All sessions of the day, in one request."""
    visits = (("R-201", "09:00"), ("R-202", "10:00"), ("R-201", "15:00"))
    return {
        "clinic": {"identifiers": IDS, "timeZone": "-07:00"},
        "sessions": [
            note(client, at, 12 + place, 31.5 + place) for place, (client, at) in enumerate(visits)
        ],
    }


def told(answer: httpx.Response) -> Json:
    """Print how many sessions were stored, unchanged, corrected and refused, and why."""
    content: Json = answer.json()
    counts = {name: count for name, count in content["summary"].items() if count}
    print(f"  {answer.status_code}", *(f"{count} {name}" for name, count in counts.items()))
    for session in content["sessions"]:
        for issue in session["issues"]:
            print(f"  {session['session']}: {issue['where']}: {issue['text']}")
    return content


def lost(http: httpx.Client, body: Json) -> None:
    """Post, but hang up before the answer can come."""
    try:
        http.post("/intake/sessions", json=body, timeout=httpx.Timeout(10, read=0.001))
    except httpx.TransportError:
        print("  hung up before the answer came")
    else:
        print("  the answer came at once; thrown away")


def tell(http: httpx.Client) -> bool:
    """The whole story; whether every session is there once."""
    for client in CLIENTS:
        client_known(http, *client)
    sent = day()
    print("the day, and the line breaks:")
    lost(http, sent)
    print("sent again:")
    told(http.post("/intake/sessions", json=sent))
    print("and again, to be sure:")
    last = told(http.post("/intake/sessions", json=sent))

    print("a correction:")
    corrected = day()
    corrected["sessions"] = corrected["sessions"][:1]
    corrected["sessions"][0] |= {"revision": 2, "note": "The clock was started late."}
    told(http.post("/intake/sessions", json=corrected))
    print("the first version, late:")
    late = http.post("/intake/sessions", json=sent)
    told(late)

    print("October, as a table:")
    table = {"content": TABLE.read_bytes(), "headers": {"Content-Type": "text/csv"}}
    told(http.post("/intake/sessions", **table))
    print("the same table again:")
    month = told(http.post("/intake/sessions", **table))

    # Told a second time, the story meets its own correction: that one is refused already.
    kept = last["summary"]["unchanged"] + last["summary"]["refused"]
    unchanged = kept == len(sent["sessions"])
    refused = late.json()["summary"]["refused"] == 1
    once = all(how_many(http, one["session"]) == 1 for one in sent["sessions"])
    done = month["summary"]["unchanged"] == len(month["sessions"])
    return unchanged and refused and once and done


def how_many(http: httpx.Client, session: str) -> int:
    """How many sessions there are under this number."""
    found = http.get("/fhir/Encounter", params={"identifier": f"{IDS}session|{session}"})
    found.raise_for_status()
    return len(found.json().get("entry", []))


def main(base: str = "http://127.0.0.1:8000") -> int:
    with httpx.Client(base_url=base.rstrip("/").removesuffix("/fhir"), timeout=60) as http:
        try:
            good = tell(http)
        except httpx.HTTPError as problem:
            print(f"DISAGREEMENT: {problem}")
            return 1
    print("once is once" if good else "DISAGREEMENT: see above")
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:2]))
