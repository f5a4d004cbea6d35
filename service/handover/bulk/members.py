"""Whose records does the export of a Group hold? The Patients that are its members now.

R4: http://hl7.org/fhir/R4/group.html. A member counts unless it is inactive or its period is over;
a member that is a Group itself stands for its own members.
"""

from __future__ import annotations

from typing import Any

from service.caller import Caller
from service.errors import Invalid, TooCostly
from service.standard.codec import decode_resource
from service.standard.mentions import Name, local_name
from service.standard.partial_dates import interval
from service.store.connection import Connection
from service.store.current import current_version
from service.store.store import present

_MOST_GROUPS = 100


def members_of(connection: Connection, caller: Caller, key: str, base: str, now: int) -> set[str]:
    """Ids of Patients. Raises NotFound or Gone where the caller sees no such Group.

    Raises Invalid (422) where it describes its members instead of naming them.
    """
    stored = present(current_version(connection, caller, "Group", key), f"Group/{key}")
    group = decode_resource(stored.body or b"")
    if group.get("actual") is False:
        raise Invalid(
            "The Group describes its members and names none",
            code="business-rule",
            expression="Group.actual",
            status=422,
        )
    patients: set[str] = set()
    seen, waiting = {key}, [group]
    while waiting:
        for kind, id_ in _named(waiting.pop(), base, now):
            if kind == "Patient":
                patients.add(id_)
            elif kind == "Group" and id_ not in seen:
                seen.add(id_)
                if len(seen) > _MOST_GROUPS:
                    raise TooCostly(f"More than {_MOST_GROUPS} Groups are members of one another")
                inner = current_version(connection, caller, "Group", id_)
                if inner is not None and not inner.deleted:
                    waiting.append(decode_resource(inner.body or b""))
    return patients


def _named(group: dict[str, Any], base: str, now: int) -> list[Name]:
    found = []
    for member in group.get("member", ()):
        end = member.get("period", {}).get("end")
        over = end is not None and interval(end)[1] < now
        leads = local_name(member.get("entity", {}).get("reference", "#"), base)
        if leads is not None and not over and not member.get("inactive", False):
            found.append(leads)
    return found
