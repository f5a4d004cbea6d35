"""Under which ids is a session kept?

Who may see only some clients must not learn from an id, or from a refusal, which numbers other
clinics have used. So what a number leads to is looked up by the identifier, among what the caller
sees (`meant.py`). Only the Encounter of a session that is new to the caller gets an id here: from
the number *and* the client. It is the same whether another clinic has the number or not, also for
somebody who computes it from this file; nobody can take it in advance for another's client; and a
session that was deleted comes back under its own id when it is sent again. The ids of the parts
follow from that of the Encounter, so the same note always speaks of the same resources.

Sessions of earlier stores have ids that follow from the number alone. They keep them, and so do
their parts.

What is left: an id that is taken by something hidden is passed over. That takes somebody who moved
a resource of the caller's own client into another clinic's record by hand.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any
from uuid import NAMESPACE_URL, uuid5

from service.intake.models import Clinic

Json = dict[str, Any]

_UNSAFE = re.compile(r"[^A-Za-z0-9.~-]+")
_LONGEST = 80


def encounter_ids(system: str, value: str, client: str) -> Iterator[str]:
    """Ids for the Encounter of a new session, the one to be preferred first."""
    found = _id(f"{system}|{value}|{client}|Encounter")
    while True:
        yield found
        found = _id(found)


def earlier_id(system: str, value: str, resource_type: str, key: str = "") -> str:
    """The id that a resource of a session had in earlier stores."""
    return _id(f"{system}|{value}|{resource_type}|{key}")


@dataclass(frozen=True, slots=True)
class Session:
    """A session with the id of its Encounter, and the identities that follow from it."""

    system: str
    value: str
    clinic: Clinic
    encounter: str
    is_hidden: Callable[[str, str], bool]
    """Whether something of this type and id is there, but not for the caller."""
    _known: dict[tuple[str, str], str] = field(default_factory=dict)

    def id(self, resource_type: str, key: str = "") -> str:
        """The id of a resource of this session."""
        if resource_type == "Encounter":
            return self.encounter
        if (resource_type, key) not in self._known:
            self._known[resource_type, key] = self._part(resource_type, key)
        return self._known[resource_type, key]

    def _part(self, resource_type: str, key: str) -> str:
        if self.encounter == earlier_id(self.system, self.value, "Encounter"):
            found = earlier_id(self.system, self.value, resource_type, key)
        else:
            found = _id(f"{self.encounter}|{resource_type}|{key}")
        while self.is_hidden(resource_type, found):
            found = _id(found)
        return found

    def reference(self, resource_type: str, key: str = "") -> Json:
        """A Reference to a resource of this session."""
        return {"reference": f"{resource_type}/{self.id(resource_type, key)}"}

    def start(self, resource_type: str, kind: str, key: str = "") -> Json:
        """A resource of this session with its id and the clinic's number for it."""
        value = f"{self.value}-{_shown(key)}" if key else self.value
        base = self.clinic.identifiers
        system = f"{base}{kind}" if base else self.system
        if not key and resource_type == "Encounter":
            system = self.system
        identifier = {"system": system, "value": value}
        return {
            "resourceType": resource_type,
            "id": self.id(resource_type, key),
            "identifier": [identifier],
        }


def _id(text: str) -> str:
    return str(uuid5(NAMESPACE_URL, text))


def _shown(key: str) -> str:
    """A key as the end of a number: short, without characters that a number should not have."""
    text = _UNSAFE.sub("-", key.removeprefix("id:")).strip("-")
    if text == key.removeprefix("id:").strip("-") and len(text) <= _LONGEST:
        return text
    if len(text) <= _LONGEST and "|" in key and not _UNSAFE.search(key.replace("|", "")):
        return text
    return f"{text[:_LONGEST]}-{hashlib.sha256(key.encode()).hexdigest()[:8]}"
