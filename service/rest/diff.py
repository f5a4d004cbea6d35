"""$diff (ours): which elements changed between two versions of a resource, told to people?

`CarePlan/[id]/$diff?from=1&to=3`. Without `to` the current version; without `from` the one
before. The answer is a Parameters resource with one `operation` a change, in the form of JSON
Patch (RFC 6902): `op`, `path` (a JSON Pointer), `value` as JSON text, and a sentence in `text`.
"""

from __future__ import annotations

from typing import Any

from service.errors import Invalid
from service.rest.call import Answer, Call, Service
from service.rest.parameters import handed
from service.rest.routing import Interaction
from service.standard.codec import decode_resource, encode
from service.standard.differences import Operation, differences
from service.standard.meta import unstamped
from service.store.connection import Connection
from service.store.current import current_version, numbered_version
from service.store.rows import Stored
from service.store.store import present


def show_diff(service: Service, call: Call, asked: Interaction) -> Answer:
    """[type]/[id]/$diff."""
    given = dict(handed(service, call))
    with call.reading(snapshot=True) as connection:
        new = _version(connection, call, asked, _number(given, "to"))
        old = _version(connection, call, asked, _number(given, "from") or max(new.vid - 1, 1))
    changes = differences(_content(old), _content(new))
    parameters = [
        {"name": "from", "valueInteger": old.vid},
        {"name": "to", "valueInteger": new.vid},
        *(_parameter(change) for change in changes),
    ]
    return Answer(200, encode({"resourceType": "Parameters", "parameter": parameters}))


def _version(connection: Connection, call: Call, asked: Interaction, vid: int | None) -> Stored:
    assert asked.type is not None
    assert asked.id is not None
    name = f"{asked.type}/{asked.id}"
    if vid is None:
        return present(current_version(connection, call.caller, asked.type, asked.id), name)
    found = numbered_version(connection, call.caller, asked.type, asked.id, vid)
    return present(found, f"{name}/_history/{vid}")


def _number(given: dict[str, Any], name: str) -> int | None:
    text = str(given.get(name, ""))
    if not text:
        return None
    if not (text.isascii() and text.isdecimal() and len(text) < 10 and int(text) > 0):
        raise Invalid(
            f"{name} is the number of a version, not {text[:40]!r}",
            code="value",
            location=f"http.{name}",
        )
    return int(text)


def _content(stored: Stored) -> dict[str, Any]:
    return unstamped(decode_resource(stored.body or b""))


def _parameter(change: Operation) -> dict[str, Any]:
    part: list[dict[str, Any]] = [
        {"name": "op", "valueCode": change.op},
        {"name": "path", "valueString": change.path},
    ]
    if change.old is not None:
        part.append({"name": "old", "valueString": encode(change.old).decode()})
    if change.new is not None:
        part.append({"name": "value", "valueString": encode(change.new).decode()})
    return {"name": "operation", "part": [*part, {"name": "text", "valueString": change.text}]}
