"""AuditEvents: read and searched from the audit log, appended to by who has seen something himself.

R4: http://hl7.org/fhir/R4/auditevent.html. Whoever sees some clients only is told of accesses that
were about these alone. Nothing is ever changed or taken away.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

from service.access.audit_event import audit_event
from service.caller import Caller
from service.errors import NotFound, NotSupported
from service.rest.audit_question import question
from service.rest.call import Answer, Call, Service
from service.rest.negotiation import preference
from service.rest.responses import version_headers
from service.rest.routing import Interaction
from service.rest.search import links_of, search_pairs
from service.rest.searchset import searchset
from service.standard.codec import encode
from service.standard.grants import WHOLE, grants_of, insufficient
from service.standard.preconditions import decide_read
from service.standard.searching.subset import subset
from service.store.audit.find import Recorded, of_own, one, page
from service.store.audit.find import count as count_of
from service.store.caseload import Condition, own_client
from service.store.rows import Stored
from service.store.searching.cursors import BY_KEYS, Cursor, seal
from service.store.unit import require_kept

Handler = Callable[[Service, Call, Interaction], Answer]

KIND = "AuditEvent"
_NUMBER = re.compile("[1-9][0-9]{0,17}")
_NEVER = frozenset(
    {
        "update",
        "patch",
        "delete",
        "conditional-update",
        "conditional-patch",
        "conditional-delete",
        "history-instance",
        "history-type",
    }
)


def read(service: Service, call: Call, asked: Interaction) -> Answer:
    """GET AuditEvent/[n], and its only version."""
    name = f"{KIND}/{asked.id}"
    text = asked.id or ""
    is_there = _NUMBER.fullmatch(text) and asked.detail in (None, "1")
    allowed = _allowed(service, call.caller, "r")
    with call.reading() as connection:
        found = one(connection, int(text), allowed) if is_there else None
    if found is None:
        raise NotFound(f"There is no {name[:100]}")
    stored = _stored(_shown(found, call, allowed), found.at)
    if asked.name == "read" and not decide_read(
        1,
        stored.updated,
        if_none_match=call.headers.get("if-none-match"),
        if_modified_since=call.headers.get("if-modified-since"),
    ):
        return Answer(304, b"", version_headers(stored))
    return Answer(200, stored.body or b"", version_headers(stored))


def search(service: Service, call: Call, asked: Interaction) -> Answer:
    """GET AuditEvent?…, the newest first; Patient/[id]/AuditEvent are those about a client."""
    settings = service.settings
    within = asked.id if asked.name == "search-compartment" else None
    path = (KIND,) if within is None else ("Patient", within, KIND)
    strict = preference(call.headers.get("prefer", "")).strict
    given = question(
        search_pairs(call), f"{call.base}/", within, strict=strict, secret=service.cursor_key
    )
    wanted = given.wanted(_allowed(service, call.caller, "s"))
    count = settings.page_size if given.query.shape.count is None else given.query.shape.count
    count = min(count, settings.max_page_size)
    shape, total = given.query.shape, None
    count = 0 if shape.only_count else count
    # A count may have to go through much of the log: a snapshot has a time limit.
    counted = shape.only_count or shape.total is not None
    with call.reading(snapshot=counted) as connection:
        if given.numbers is None:
            rows = page(connection, wanted, count + 1) if count else []
        else:
            rows = given.among(connection, wanted)
            count = max(count, len(rows))
        if counted and shape.total != "none":
            total = len(rows) if given.numbers is not None else count_of(connection, wanted)
    if shape.only_count:
        rows = []
    more = None
    if len(rows) > count:
        rows = rows[:count]
        last = Cursor(BY_KEYS, rows[-1].place(by_date=given.by_date))
        more = seal(last, given.query, service.cursor_key)
    links = links_of(given.query, "/".join((call.base, *path)), after=more)
    entries = [
        (_stored(subset(_shown(row, call, wanted.allowed), shape), row.at), "match") for row in rows
    ]
    return Answer(
        200, searchset(call.base, entries, links=links, total=total, told=given.query.ignored)
    )


def refuse(service: Service, call: Call, asked: Interaction) -> Answer:
    """What would change the log, or ask how it was changed."""
    require_kept(KIND)
    raise AssertionError(asked)


ANSWERS: dict[str, Handler] = {
    "read": read,
    "vread": read,
    "search-type": search,
    "search-compartment": search,
    **dict.fromkeys(sorted(_NEVER), refuse),
}
"""What is answered otherwise for AuditEvents than for what is stored."""


def instead(
    special: Handler, ordinary: Handler, service: Service, call: Call, asked: Interaction
) -> Answer:
    """Answer from the log where AuditEvents are asked for, else as ever."""
    if asked.type == KIND or (asked.detail == KIND and asked.name == "search-compartment"):
        return special(service, call, asked)
    return ordinary(service, call, asked)


def require_audit_kept(asked: Interaction, *, conditional: bool) -> None:
    """Raise MethodNotAllowed for an entry of a transaction that would change the log."""
    if asked.type != KIND:
        return
    if asked.name in _NEVER:
        require_kept(KIND)
    if conditional:
        raise NotSupported("An AuditEvent is not created conditionally")


def _allowed(service: Service, caller: Caller, letter: str) -> Condition | None:
    """What the caller may see of the log. Raises Forbidden for a scope that allows a part."""
    if grants_of(caller).of(letter, KIND) != WHOLE:
        raise insufficient("AuditEvents are seen with a scope for all of them")
    own = own_client(caller, letter, "oc.patient")
    return None if own is None else of_own(own, service.store.database.dialect)


def _shown(recorded: Recorded, call: Call, allowed: Condition | None) -> dict[str, Any]:
    """The event; what others asked or sent in their words only to who sees all clients."""
    access, caller = recorded.access, call.caller
    is_own = (access.agent, access.kind) == (caller.name, caller.kind)
    return audit_event(recorded, call.base, masked=allowed is not None and not is_own)


def _stored(event: dict[str, Any], at: int) -> Stored:
    return Stored(KIND, event["id"], 1, at, False, encode(event), 0, 0, "POST")
