"""Was something else extracted from the same answers before?

A conditional create leaves alone what is there. Where that has another value than is extracted
now, the caller is told: a response whose answers were corrected has the status `amended`, and then
what was extracted is replaced.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from service.errors import Issue
from service.rest.call import Call
from service.standard.codec import decode, decode_resource, encode, same
from service.standard.questionnaires.identity import EXTRACTED
from service.standard.search_query import parse_search
from service.store.searching import find

_AT_ONCE = 40

Resource = dict[str, Any]


def left_as_they_are(call: Call, entries: Sequence[Resource]) -> Iterator[Issue]:
    """A warning for each Observation that the transaction will find with another value."""
    made = {
        entry["resource"]["identifier"][0]["value"]: entry["resource"]
        for entry in entries
        if entry["resource"]["resourceType"] == "Observation" and "ifNoneExist" in entry["request"]
    }
    keys = list(made)
    for start in range(0, len(keys), _AT_ONCE):
        for reference, stored in _found(call, keys[start : start + _AT_ONCE]):
            for identifier in stored.get("identifier", ()):
                extracted = made.get(identifier.get("value"))
                if extracted is not None and not same(_said(stored), _said(extracted)):
                    text = (
                        f"{reference} was extracted before and has another value; it is left as"
                        " it is. A response that was corrected has the status amended"
                    )
                    yield Issue("warning", "conflict", text)


def _found(call: Call, keys: list[str]) -> Iterator[tuple[str, Resource]]:
    wanted = ",".join(f"{EXTRACTED}|{key}" for key in keys)
    query = parse_search("Observation", [("identifier", wanted)], strict=True)
    with call.reading(snapshot=True) as connection:
        stored = find(connection, call.caller, query, limit=2 * len(keys))
    for each in stored:
        yield each.reference, decode_resource(each.body or b"")


def _said(observation: Resource) -> Any:
    kept = {
        name: value
        for name, value in observation.items()
        if name.startswith("value") or name == "component"
    }
    return decode(encode(kept))
