"""May this caller ask this at all? Which letters of the scopes each interaction needs.

SMART App Launch 2.2, scopes for requesting FHIR resources. Asked once for every request, and for
every entry of a batch or transaction; what is seen or written within the type is then decided by
the store (`store/visibility.py`). What an operation needs stands in its row of `operations.py`.
"""

from __future__ import annotations

from dataclasses import replace

from service.caller import Caller
from service.errors import HyoidError
from service.rest.call import Call
from service.rest.negotiation import COMMON
from service.rest.one_client import refuse_listing
from service.rest.routing import Interaction
from service.standard.bundles import PlannedEntry
from service.standard.grants import WHOLE, grants_of, insufficient, require
from service.standard.registry import RESOURCE_TYPES

NEEDS: dict[str, str] = {
    "capabilities": "",
    "smart-configuration": "",
    "read": "r",
    "vread": "r",
    "history-instance": "r",
    "create": "c",
    "update": "u",
    "patch": "u",
    "delete": "d",
    "conditional-update": "us",
    "conditional-patch": "us",
    "conditional-delete": "ds",
    "history-type": "s",
    "history-system": "s",
    "search-type": "s",
    "search-system": "s",
    "search-compartment": "s",
    "export-status": "r",
    "export-cancel": "r",
    "export-file": "r",
    "operation": "",
    "transaction": "",
}
"""Letters for the type asked about. An update that creates needs `c` too: the store asks for it.

Without a type, a scope for any type will do: what is not allowed is left out of the answer.
Entries of a transaction need what they would need alone; operations what their rows say.
"""


def permit(call: Call, asked: Interaction) -> None:
    """Raise Forbidden where the caller's scopes do not reach for this request."""
    conditional = asked.name == "create" and (
        "if-none-exist" in call.headers or any(name not in COMMON for name, _ in call.query)
    )
    _permit(call.caller, asked, conditional)


def permit_entry(caller: Caller, asked: Interaction, entry: PlannedEntry) -> None:
    """The same for an entry of a transaction; the refusal names it."""
    try:
        _permit(caller, asked, entry.if_none_exist is not None)
    except HyoidError as error:
        error.issues = tuple(replace(issue, expression=entry.where) for issue in error.issues)
        raise


def permit_operation(caller: Caller, asked: Interaction, needs: str) -> None:
    """The same for an operation that needs these letters for the type at its address."""
    require(caller, needs, asked.type)


def is_readable(caller: Caller, kind: str, *, created: bool) -> bool:
    """Whether what the caller has written may be told back to it."""
    grants = grants_of(caller)
    reading = grants.of("r", kind)
    if reading is None or reading == WHOLE:
        return reading is not None
    writing = grants.of("c" if created else "u", kind)
    return reading == (grants.of("s", kind) if writing is None else writing)


def _permit(caller: Caller, asked: Interaction, conditional: bool) -> None:
    refuse_listing(caller, asked)
    needs = NEEDS.get(asked.name)
    if needs is None:
        raise insufficient(f"No scope is for {asked.name}")
    kind = asked.type
    if asked.name == "search-compartment":
        kind = asked.detail if asked.detail in RESOURCE_TYPES else None
    require(caller, needs + "s" if conditional else needs, kind)
