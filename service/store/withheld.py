"""What of the clients who deny a disclosure is withheld, as SQL?

All that lies in their records, now or at that version, and what lies in nobody's but is about it
or attached to it.
"""

from __future__ import annotations

from functools import cache
from typing import Any

from service.caller import Caller
from service.standard.definitions import definitions
from service.store.caseload import FENCE
from service.store.sql import marks, padded

Condition = tuple[str, tuple[Any, ...]]


def not_withheld(caller: Caller, rid: str) -> Condition | None:
    """A condition on the column `rid`; None where nothing is withheld from the caller."""
    if not caller.denied:
        return None
    ids = padded(sorted(caller.denied))
    among = f"wc.patient IN ({marks(len(ids))})"
    own = f"SELECT 1 FROM compartment wc WHERE wc.rid = {rid} AND {among}{FENCE}"
    of_nobody = (
        f"EXISTS (SELECT 1 FROM compartment wn WHERE wn.rid = {rid} AND wn.patient = ''{FENCE})"
    )
    about = (
        "SELECT 1 FROM index_reference wf CROSS JOIN resource wo CROSS JOIN compartment wc"
        f" WHERE wf.rid = {rid} AND wo.type = wf.target_type AND wo.id = wf.target_id"
        f" AND wc.rid = wo.rid AND {among}{FENCE}"
    )
    attached = (
        "SELECT 1 FROM resource wo CROSS JOIN index_uri wu CROSS JOIN compartment wc"
        f" WHERE wo.rid = {rid} AND wo.type = 'Binary' AND wu.param = {_location()}"
        f" AND wu.value = 'Binary/' || wo.id AND wc.rid = wu.rid AND {among}{FENCE}"
    )
    return (
        f"(NOT EXISTS ({own}) AND NOT ({of_nobody} AND (EXISTS ({about}) OR EXISTS ({attached}))))",
        (*ids, *ids, *ids),
    )


def no_past_withheld(caller: Caller) -> Condition | None:
    """Of a row `v` of `version`: that it lay in no such record then, or since."""
    if not caller.denied:
        return None
    ids = padded(sorted(caller.denied))
    past = (
        "SELECT 1 FROM past_compartment wp WHERE wp.rid = v.rid AND wp.vid >= v.vid"
        f" AND wp.patient IN ({marks(len(ids))}){FENCE}"
    )
    return f"NOT EXISTS ({past})", ids


@cache
def _location() -> int:
    parameter = definitions().search_parameter("DocumentReference", "location")
    assert parameter is not None
    return parameter.number
