"""Who is it whom the identity provider names: which role, which Practitioner, whose clients?

By a table that the clinic writes (HYOID_OIDC_PEOPLE)::

    {"role": {"claim": "groups", "values": {"speech-therapy": "therapist"}},
     "practitioner": {"claim": "employee", "system": "https://clinic.example/ids/staff"},
     "tied": {"claim": "team", "values": {"north": ["CareTeam/north"]}}}

Of several values the first of the table counts. Without `system` the claim of the practitioner
holds the reference itself (`fhirUser` of SMART App Launch 2). Who is not in the table is refused.
"""

from __future__ import annotations

import hashlib
import json
import re
import time
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from service.access.people_roles import roles
from service.errors import Forbidden
from service.standard.definitions import definitions
from service.store.engine import Database
from service.store.people import Person, know_person, practitioners_with

TIE = re.compile(r"(?:Organization|CareTeam|Practitioner)/[A-Za-z0-9.\-]{1,64}")
PRACTITIONER = re.compile(r"Practitioner(?:Role)?/[A-Za-z0-9.\-]{1,64}")
PREFIX = "openid:"
"""Before the subject, in the login; no login given out here has a colon."""


@dataclass(frozen=True, slots=True)
class PeopleTable:
    """The table as read. `ties` is None where nobody is narrowed."""

    role_claim: str
    roles: Mapping[str, str]
    practitioner_claim: str
    practitioner_system: str
    tie_claim: str = ""
    ties: Mapping[str, frozenset[str]] | None = None

    def claims(self) -> set[str]:
        """The claims that are looked at."""
        return {self.role_claim, self.practitioner_claim, self.tie_claim} - {""}


def read_people(path: str) -> PeopleTable:
    """The table in this file. Raises ValueError that says what is wrong with it."""
    try:
        return table_in(json.loads(Path(path).read_text(encoding="utf-8")))
    except OSError as error:
        raise ValueError(f"{path}: {error.strerror}") from None
    except (KeyError, TypeError, AttributeError) as error:
        raise ValueError(f"{path}: {error} is missing or of another form") from None


def table_in(told: Any) -> PeopleTable:
    """The table in this JSON. Raises ValueError, KeyError, TypeError or AttributeError."""
    role, practitioner, tied = told["role"], told["practitioner"], told.get("tied")
    for name in role["values"].values():
        if name not in roles():
            raise ValueError(f"there is no role {name!r}; there are {', '.join(roles())}")
    ties = None
    if tied is not None:
        ties = {value: frozenset(given) for value, given in tied["values"].items()}
        for reference in frozenset().union(*ties.values()):
            if not TIE.fullmatch(reference):
                raise ValueError(f"{reference!r} is no Organization/…, CareTeam/…, Practitioner/…")
    return PeopleTable(
        role["claim"],
        dict(role["values"]),
        practitioner["claim"],
        practitioner.get("system", ""),
        tied["claim"] if tied else "",
        ties,
    )


class OpenIdPeople:
    """Whom the provider names, as people here."""

    def __init__(self, database: Database, table: PeopleTable, base: str) -> None:
        self.table = table
        self._database = database
        self._base = base

    def person(self, claims: Mapping[str, Any]) -> Person:
        """The person of these claims. Raises Forbidden for who is not known or not let in."""
        role = _first(self.table.roles, claims.get(self.table.role_claim))
        if role is None:
            raise Forbidden("Nothing says what you may do here: the keeper of the service can")
        person = know_person(
            self._database,
            Person(
                login_of(claims["sub"]),
                role,
                self._practitioner(claims.get(self.table.practitioner_claim)),
                self._ties(claims),
                _name(claims),
                created=time.time_ns() // 1000,
            ),
        )
        if person.disabled is not None:
            raise Forbidden("You are not let in here any more")
        return person

    def _practitioner(self, value: Any) -> str:
        found: list[str] = []
        if isinstance(value, str) and 1 <= len(value) <= 500 and value.isprintable():
            if not self.table.practitioner_system:
                reference = value.removeprefix(f"{self._base}/")
                found = [reference] if PRACTITIONER.fullmatch(reference) else []
            else:
                number = definitions().parameter_number("Practitioner", "identifier")
                system = self.table.practitioner_system
                with self._database.reader() as connection:
                    ids = practitioners_with(connection, number, system, value)
                found = [f"Practitioner/{each}" for each in ids]
        if len(found) != 1:
            raise Forbidden("No Practitioner here is told to be you: the keeper of the service can")
        return found[0]

    def _ties(self, claims: Mapping[str, Any]) -> frozenset[str] | None:
        if self.table.ties is None:
            return None
        given = _listed(claims.get(self.table.tie_claim))
        ties = frozenset().union(*(self.table.ties.get(value, frozenset()) for value in given))
        if not ties:
            raise Forbidden("Nothing says whose clients you see: the keeper of the service can")
        return ties


def login_of(subject: str) -> str:
    """The login of a subject; of a long one a hash, so that it is not cut."""
    if len(subject) > 100:
        subject = hashlib.sha256(subject.encode()).hexdigest()
    return PREFIX + subject


def _first(table: Mapping[str, str], value: Any) -> str | None:
    given = _listed(value)
    return next((found for name, found in table.items() if name in given), None)


def _listed(value: Any) -> set[str]:
    if isinstance(value, str):
        return {value}
    return {each for each in value if isinstance(each, str)} if isinstance(value, list) else set()


def _name(claims: Mapping[str, Any]) -> str:
    name = claims.get("name")
    return name[:200] if isinstance(name, str) and name.isprintable() else ""
