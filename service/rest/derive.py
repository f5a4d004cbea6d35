"""$derive: the measures that follow from an Observation whose components are the parts of a trial.

`Observation/[id]/$derive`, and `Observation/$derive` with the Observation as the body; ours,
described in mappings/operations/Observation-derive.json. The answer is a transaction Bundle; with
`store` (POST) it is processed, and the answer is what comes of it.
"""

from __future__ import annotations

import uuid
from typing import Any

from service.errors import Invalid, NotSupported
from service.rest.call import Answer, Call, Service
from service.rest.conversion import convert
from service.rest.parameters import given_with, truth
from service.rest.routing import Interaction
from service.rest.storing import require_storing, store_entries
from service.standard.codec import decode, decode_resource, encode
from service.standard.profiles import check
from service.standard.questionnaires.identity import criterion
from service.store.current import current_version
from service.store.store import present
from service.therapy.direct.derived import derived
from service.therapy.direct.parts import PartsError, outcomes, row_of
from service.therapy.measures import OWN
from service.therapy.references import coding_in, target

Resource = dict[str, Any]

_WRONG = frozenset({"entered-in-error", "cancelled"})


def derive_measures(service: Service, call: Call, asked: Interaction) -> Answer:
    """Observation/$derive and Observation/[id]/$derive."""
    parts, store = _given(service, call)
    if store:
        require_storing(call, "$derive")
    if asked.id is None:
        entries = _of_new(call, parts)
    else:
        if parts is not None:
            text = "The Observation is the one at this address; none is to be handed over"
            raise Invalid(text, expression="Parameters: observation")
        entries = _derived(call, _stored(call, asked.id))
    if store:
        return store_entries(service, call, entries)
    return Answer(200, encode({"resourceType": "Bundle", "type": "transaction", "entry": entries}))


def _given(service: Service, call: Call) -> tuple[Resource | None, bool]:
    parts, store = None, False
    for name, value in given_with(service, call, "observation"):
        if name == "store":
            store = truth(value, name)
        elif name == "observation":
            if not isinstance(value, dict) or value.get("resourceType") != "Observation":
                text = "observation is an Observation"
                raise Invalid(text, code="value", expression="Parameters: observation")
            check(value)
            parts = value
        else:
            raise NotSupported(
                f"$derive takes observation and store, not {name[:40]!r}",
                location=f"http.{name[:40]}",
            )
    return parts, store


def _of_new(call: Call, parts: Resource | None) -> list[Resource]:
    """Entries of an Observation that is not stored yet: itself, and what follows from it."""
    if parts is None:
        text = "An Observation is needed, as the body or as observation"
        raise Invalid(text, code="required", expression="Parameters: observation")
    key = str(uuid.uuid4())
    kept = {name: value for name, value in parts.items() if name not in ("id", "meta")}
    entries = _derived(call, {**kept, "id": key})
    for entry in entries:
        entry["resource"]["derivedFrom"] = [{"reference": f"urn:uuid:{key}"}]
    request = {"method": "POST", "url": "Observation"}
    return [{"fullUrl": f"urn:uuid:{key}", "resource": kept, "request": request}, *entries]


def _stored(call: Call, key: str) -> Resource:
    with call.reading() as connection:
        found = current_version(connection, call.caller, "Observation", key)
    return decode_resource(present(found, f"Observation/{key}").body or b"")


def _derived(call: Call, parts: Resource) -> list[Resource]:
    """Entries that create the Observations, or bring them up to date. Raises Invalid."""
    row = row_of(parts)
    if row is None:
        text = "Nothing is computed from the parts of this code (mappings/measures/parts.json)"
        raise Invalid(text, code="not-supported", expression="Observation.code", status=422)
    if parts["status"] in _WRONG:
        text = f"Nothing follows from an Observation that is {parts['status']}"
        raise Invalid(text, code="business-rule", expression="Observation.status", status=422)
    try:
        made = outcomes(row, parts, convert)
    except PartsError as error:
        place = f"Observation.{error.place}"
        raise Invalid(str(error), code="value", expression=place, status=422) from None
    kind = _kind_of(call, parts)
    found = []
    for outcome in made:
        resource = derived(outcome, parts, kind)
        condition = criterion(resource["identifier"][0])
        request = {"method": "PUT", "url": f"Observation?{condition}"}
        url = f"urn:uuid:{uuid.uuid4()}"
        found.append({"fullUrl": url, "resource": resource, "request": request})
    return found


def _kind_of(call: Call, parts: Resource) -> str | None:
    """The kind of the device that was used, on which limits depend."""
    name = target(parts.get("device"), call.base)
    if name is None or not name.startswith("Device/"):
        return None
    with call.reading() as connection:
        found = current_version(connection, call.caller, "Device", name.partition("/")[2])
    if found is None or not found.body:
        return None
    coding = coding_in(decode(found.body).get("type"), OWN + "measuring-device")
    return coding["code"] if coding else None
