"""How does an AuditEvent that a client sent get into the log, beside what the service saw itself?

As a row of its own, whose text is what was sent. It is found by the agent, the time and the
entities that it tells of; that it was sent, and by whom, is another row.
"""

from __future__ import annotations

import re
from typing import Any

from service.errors import Invalid
from service.standard.codec import encode
from service.standard.meta import unstamped
from service.standard.partial_dates import interval
from service.store.audit.access import Access

_LOCAL = re.compile(r"([A-Z][A-Za-z]{1,40}/[A-Za-z0-9\-.]{1,64})(?:/_history/[A-Za-z0-9\-.]+)?")
_LONGEST = 200
_STATUS = {"0": 200, "4": 400, "8": 500, "12": 503}


def sent_access(event: dict[str, Any], base: str) -> Access:
    """The row of a valid AuditEvent. Raises Invalid for an instant that is none."""
    try:
        at = interval(event["recorded"])[0]
    except ValueError:
        raise Invalid("recorded is not an instant", expression="AuditEvent.recorded") from None
    who = _requestor(event["agent"])
    acts_as = _local(who.get("who"), base)
    about = [_local(each.get("what"), base) for each in event.get("entity", ())]
    about += [_local(each.get("who"), base) for each in event["agent"]]
    names = sorted({name for name in about if name and name != acts_as})
    return Access(
        at,
        "sent",
        _STATUS.get(event.get("outcome", "0"), 200),
        _name(who),
        acts_as=acts_as,
        clients=tuple(
            name.removeprefix("Patient/") for name in names if name.startswith("Patient/")
        ),
        changed=tuple(name for name in names if not name.startswith("Patient/")),
        body=encode({k: v for k, v in unstamped(event).items() if k != "id"}).decode(),
    )


def _requestor(agents: list[dict[str, Any]]) -> dict[str, Any]:
    return next((agent for agent in agents if agent.get("requestor") is True), agents[0])


def _name(agent: dict[str, Any]) -> str:
    """What an agent is searched by: the name it is known by, or its identifier."""
    identifier = agent.get("who", {}).get("identifier", {}).get("value")
    return str(agent.get("altId") or identifier or agent.get("name") or "unknown").replace(
        "\x00", ""
    )[:_LONGEST]


def _local(reference: dict[str, Any] | None, base: str) -> str:
    """`Type/id` of what lies here, or nothing."""
    text = str((reference or {}).get("reference", "")).removeprefix(f"{base}/")
    found = _LOCAL.fullmatch(text)
    return found[1] if found else ""
