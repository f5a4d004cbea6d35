"""An integrator's handover: take one client into another FHIR service, and read the summary.

    python examples/integrator_handover.py [source] [receiver] [client number]

Source and receiver are FHIR base URLs (http://127.0.0.1:8000/fhir, http://127.0.0.1:8001/fhir).
Asks the source what it offers, loads the client's transaction into the receiver twice, checks that
there is one copy, and that the summary holds all that it refers to. Writes to the receiver only.

http://hl7.org/fhir/R4/http.html#transaction, http://hl7.org/fhir/R4/documents.html
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Iterator
from typing import Any

import httpx

Json = dict[str, Any]

CLIENT_NUMBERS = "https://juniper-bend.example/ids/client"
NEEDED = {"everything", "summary"}


class DisagreementError(Exception):
    """Two ways of asking gave two answers."""


def get(http: httpx.Client, path: str, **params: str) -> Json:
    answer = http.get(path, params=params or None)
    answer.raise_for_status()
    content: Json = answer.json()
    return content


def discover(http: httpx.Client) -> None:
    """The source must speak R4 and offer what is needed of a client."""
    statement = get(http, "metadata")
    offered = {one["type"]: one for one in statement["rest"][0]["resource"]}
    operations = {one["name"] for one in offered["Patient"].get("operation", [])}
    if statement["fhirVersion"] != "4.0.1" or not operations >= NEEDED:
        raise DisagreementError(f"of FHIR 4.0.1 with {NEEDED} only {operations} is offered")


def accepts_transactions(http: httpx.Client) -> None:
    """The receiver must take a transaction."""
    (rest,) = get(http, "metadata")["rest"]
    if "transaction" not in {one["code"] for one in rest.get("interaction", [])}:
        raise DisagreementError("the receiver takes no transaction")


def load(receiver: httpx.Client, bundle: Json) -> list[str]:
    """Where each entry lies now: `Type/id`."""
    answer = receiver.post("", json=bundle)
    answer.raise_for_status()
    placed = [one["response"]["location"] for one in answer.json()["entry"]]
    return ["/".join(place.split("/_history/")[0].split("/")[-2:]) for place in placed]


def hand_over(source: httpx.Client, receiver: httpx.Client, patient: str) -> None:
    """Load twice; both times everything must lie in the same place, and be there once."""
    bundle = get(source, f"Patient/{patient}/$everything", **{"bundle-type": "transaction"})
    places = load(receiver, bundle)
    if load(receiver, bundle) != places or len(set(places)) != len(places):
        raise DisagreementError("loaded twice, there are two copies")
    for place in places:
        get(receiver, place)
    counts = Counter(place.partition("/")[0] for place in places)
    print(f"handed over {len(places)} resources as {places[0]}:")
    for kind, count in sorted(counts.items()):
        print(f"  {kind:24} {count:6}")


def references(value: Any) -> Iterator[str]:
    """All literal references, those to contained resources left out."""
    if isinstance(value, dict):
        if isinstance(found := value.get("reference"), str) and not found.startswith("#"):
            yield found
        for item in value.values():
            yield from references(item)
    elif isinstance(value, list):
        for item in value:
            yield from references(item)


def read_summary(source: httpx.Client, number: str) -> None:
    """The summary by the client's number; whatever it refers to must be in it."""
    found = get(source, "Patient/$summary", identifier=f"{CLIENT_NUMBERS}|{number}")
    composition = found["entry"][0]["resource"]
    if found["type"] != "document" or composition["resourceType"] != "Composition":
        raise DisagreementError("the summary is no document")
    base = str(source.base_url)
    held = {entry["fullUrl"].removeprefix(base) for entry in found["entry"]}
    for entry in found["entry"]:
        for target in references(entry["resource"]):
            if target not in held:
                raise DisagreementError(f"{entry['fullUrl']} refers to {target}, not in it")
    print(f"{composition['title']} of {len(held)} resources, complete in itself:")
    for section in composition["section"]:
        reason = section.get("emptyReason", {}).get("text", "")
        print(f"  {section['title']:26} {len(section.get('entry', [])):4} {reason}".rstrip())


def run(source: httpx.Client, receiver: httpx.Client, number: str) -> None:
    """Discover, hand over, read."""
    discover(source)
    accepts_transactions(receiver)
    found = get(source, "Patient", identifier=f"{CLIENT_NUMBERS}|{number}").get("entry", [])
    if len(found) != 1:
        raise DisagreementError(f"{len(found)} clients have the number {number}")
    hand_over(source, receiver, found[0]["resource"]["id"])
    read_summary(source, number)


def main(
    source: str = "http://127.0.0.1:8000/fhir",
    receiver: str = "http://127.0.0.1:8001/fhir",
    number: str = "C-1041",
) -> int:
    headers = {"Accept": "application/fhir+json"}
    with (
        httpx.Client(base_url=f"{source}/", headers=headers, timeout=60) as here,
        httpx.Client(base_url=f"{receiver}/", headers=headers, timeout=60) as there,
    ):
        try:
            run(here, there, number)
        except (DisagreementError, httpx.HTTPError) as problem:
            print(f"DISAGREEMENT: {problem}")
            return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:4]))
