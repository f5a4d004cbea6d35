"""People as tests need them: added with a passphrase, on a clock that is told to go on."""

from __future__ import annotations

from typing import Any

from service.access.people import People
from service.access.people_passphrases import hashed
from service.access.people_recording import SignIns
from service.access.sessions import Sessions, Span
from service.store.audit.access import Access
from service.store.engine import Database
from service.store.people import Person, add_person
from tests.access.integrators import Clock

PASSPHRASE = "quiet river stones"
HASHED = hashed(PASSPHRASE)
SPAN = Span(1800, 12 * 3600)


class Recorded(list[Access]):
    """A recorder that remembers."""

    def record(self, access: Access) -> None:
        self.append(access)

    def told(self) -> list[tuple[str, int, str]]:
        return [(each.interaction, each.status, each.agent) for each in self]


def added(database: Database, login: str = "robin", **more: Any) -> Person:
    given = {"role": "therapist", "reference": f"Practitioner/{login}", "passphrase": HASHED}
    person = Person(login, **{**given, **more})
    add_person(database, person)
    return person


def people_at(database: Database, clock: Clock, recorded: Recorded | None = None) -> People:
    """One process: its own memory of sessions."""
    sessions = Sessions(database, SPAN, clock, clock)
    return People(database, sessions, SignIns(recorded), clock)
