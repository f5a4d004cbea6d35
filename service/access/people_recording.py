"""Where do sign-ins, sign-outs and refused attempts go on record?"""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import Protocol

from service.store.audit.access import Access
from service.store.people import Person


class Recorder(Protocol):
    """Keeps accesses for the audit log."""

    def record(self, access: Access) -> None:
        """Put one access on record."""
        ...


@dataclass(frozen=True, slots=True)
class SignIns:
    """Tells a recorder; none where nothing is recorded."""

    recorder: Recorder | None = None

    def signed_in(self, person: Person, address: str, token: str) -> None:
        """Somebody signed in."""
        self._tell("login", 200, person.login, person.reference, address, token)

    def signed_out(self, person: Person, address: str, token: str) -> None:
        """Somebody signed out."""
        self._tell("logout", 200, person.login, person.reference, address, token)

    def refused(self, login: str, address: str, told: str, status: int = 401) -> None:
        """Somebody was not let in; the login only where there is one like it here."""
        self._tell("login", status, login or "unknown", "", address, "", told)

    def _tell(
        self,
        interaction: str,
        status: int,
        agent: str,
        acts_as: str,
        address: str,
        token: str,
        told: str = "",
    ) -> None:
        if self.recorder is None:
            return
        self.recorder.record(
            Access(
                at=time.time_ns() // 1000,
                interaction=interaction,
                status=status,
                agent=agent,
                kind="person",
                acts_as=acts_as,
                token=token,
                address=address,
                told=told,
            )
        )
