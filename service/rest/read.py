"""read, vread: what is stored under this id? (R4 http page, #read, #vread)"""

from __future__ import annotations

import re

from service.errors import NotFound
from service.rest.call import Answer, Call, Service
from service.rest.responses import shown, version_headers
from service.rest.routing import Interaction
from service.standard.preconditions import decide_read
from service.store.current import current_version, numbered_version
from service.store.store import present

_NUMBER = re.compile("[1-9][0-9]{0,8}")


def read(service: Service, call: Call, asked: Interaction) -> Answer:
    """The current version; 304 where the client has it already."""
    assert asked.type is not None
    assert asked.id is not None
    with call.reading() as connection:
        found = current_version(connection, call.caller, asked.type, asked.id)
    stored = present(found, f"{asked.type}/{asked.id}")
    headers = call.headers
    if ("if-none-match" in headers or "if-modified-since" in headers) and not decide_read(
        stored.vid,
        stored.updated,
        if_none_match=headers.get("if-none-match"),
        if_modified_since=headers.get("if-modified-since"),
    ):
        return Answer(304, b"", version_headers(stored))
    return shown(stored)


def vread(service: Service, call: Call, asked: Interaction) -> Answer:
    """The version with this number."""
    assert asked.type is not None
    assert asked.id is not None
    name = f"{asked.type}/{asked.id}/_history/{asked.detail}"
    number = asked.detail or ""
    if not _NUMBER.fullmatch(number):
        raise NotFound(f"There is no {name[:200]}")
    with call.reading() as connection:
        found = numbered_version(connection, call.caller, asked.type, asked.id, int(number))
    return shown(present(found, name))
