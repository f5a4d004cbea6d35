"""How does a clinic deliver that sees its own clients only? Two clinics that number alike."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import Any

from service.caller import Caller
from service.intake.answers import SessionAnswer
from service.intake.csv_cells import Layout
from service.intake.drafts import Reading
from service.intake.models import Clinic
from service.intake.routes import take
from service.standard.search_query import parse_search
from service.store.searching import find
from service.store.store import Store
from tests.store.keeping import BASE, put

Json = dict[str, Any]

IDS = "https://numbers.example/ids/"
NORTH = Caller("north", frozenset({"system/*.cruds"}), tied=frozenset({"Organization/north"}))
SOUTH = Caller("south", frozenset({"system/*.cruds"}), tied=frozenset({"Organization/south"}))


def client(key: str, place: str, number: str = "C-1") -> Json:
    """A client of a clinic."""
    return {
        "resourceType": "Patient",
        "id": key,
        "identifier": [{"system": f"{IDS}client", "value": number}],
        "managingOrganization": {"reference": f"Organization/{place}"},
    }


def set_up(store: Store, *places: str) -> None:
    """Two clients of each clinic, with the numbers C-1 and C-2 in all of them."""
    for place in places:
        put(store, client(place, place))
        put(store, client(f"{place}-2", place, "C-2"))


def note(session: str = "S-1", of: Any = "C-1", **more: Any) -> Json:
    """A small session note."""
    found: Json = {
        "session": session,
        "client": of,
        "start": "2025-11-02T09:00",
        "end": "2025-11-02T09:45",
        "measures": [{"measure": "swallow-delay", "value": 2.5, "unit": "s"}],
    }
    return found | more


def deliver(
    store: Store, who: Caller, body: bytes, kind: str = "application/json", *, atomic: bool = False
) -> list[SessionAnswer]:
    """What is told of a body that this caller sends."""
    reading = Reading(
        Clinic(identifiers=IDS, timeZone="-07:00"),
        datetime(2026, 1, 1, tzinfo=UTC),
        adds_up=kind == "text/csv",
    )
    layout = Layout(None, False, None)
    return take(store, who, BASE, body, kind, reading, layout, 10**6, atomic=atomic)


def send(store: Store, who: Caller, *given: Any, **more: Any) -> SessionAnswer:
    """What is told of one note."""
    (answer,) = deliver(store, who, json.dumps(note(*given, **more)).encode())
    return answer


def encounters(store: Store, who: Caller, number: str = "S-1") -> list[Json]:
    """The sessions that this caller finds under a number."""
    query = parse_search("Encounter", [("identifier", f"{IDS}session|{number}")], strict=True)
    with store.reader() as connection:
        found = find(connection, who, query, limit=100)
    return sorted((json.loads(one.body or b"") for one in found), key=lambda one: str(one["id"]))
