"""How are a response and what is extracted from it known again?

By the response's id, else its identifier, else its content. From that and the linkId follows the
identifier of each Observation, so that extracting twice and storing twice stores once.
"""

from __future__ import annotations

import hashlib
import re
import uuid
from dataclasses import dataclass
from urllib.parse import quote

import orjson

from service.standard.codec import encode
from service.standard.questionnaires.form import Json

EXTRACTED = "https://hyoid.example/fhir/extracted"
"""System of the identifiers of what is extracted."""

_NAMESPACE = uuid.UUID("5f0d4a0e-2a59-5a0b-9c0e-6d1f5a8c3b77")
_SPECIAL = re.compile(r"([\\,$|])")


@dataclass(frozen=True, slots=True)
class Identity:
    """`key` is unlike that of any other response; `reference` is what refers to it.

    `entry` is the response as an entry of the transaction, where it has no id to refer to.
    """

    key: str
    reference: str
    entry: Json | None = None

    def identifier(self, link_id: str, number: int) -> Json:
        """The identifier of what is extracted from the n-th answer to an item."""
        return {"system": EXTRACTED, "value": digest(self.key, link_id, str(number))}


def identity_of(response: Json) -> Identity:
    """The identity of a response as it was handed over or read."""
    if "id" in response:
        reference = f"QuestionnaireResponse/{response['id']}"
        return Identity(reference, reference)
    identifier = response.get("identifier") or {}
    if "value" not in identifier:
        content = {name: value for name, value in response.items() if name != "meta"}
        sorted_content = orjson.dumps(
            orjson.loads(encode(content)), option=orjson.OPT_SORT_KEYS
        ).decode()
        identifier = {"system": EXTRACTED, "value": digest(sorted_content)}
        response = response | {"identifier": identifier}
    key = digest(str(identifier.get("system", "")), str(identifier["value"]))
    full_url = urn(key)
    condition = criterion(identifier)
    request = {"method": "POST", "url": "QuestionnaireResponse", "ifNoneExist": condition}
    entry = {"fullUrl": full_url, "resource": response, "request": request}
    return Identity(key, full_url, entry)


def criterion(identifier: Json) -> str:
    """The search that finds a resource by an identifier, as a query string."""
    value = escaped(str(identifier["value"]))
    system = escaped(str(identifier.get("system", "")))
    return f"identifier={quote(system, safe=':/')}|{quote(value, safe='')}"


def escaped(text: str) -> str:
    """A text as a search value (R4, search.html#escaping)."""
    return _SPECIAL.sub(r"\\\1", text)


def urn(key: str) -> str:
    """A fullUrl for what has this key."""
    return uuid.uuid5(_NAMESPACE, key).urn


def digest(*parts: str) -> str:
    """40 hex digits that stand for these texts."""
    return hashlib.sha256("\0".join(parts).encode()).hexdigest()[:40]
