"""What may this caller see, or write? The one place that turns it into SQL.

Two things narrow: the scopes, by type and by search parameters, and whose clients they are
(`caseload.py`). A resource is seen where it lies in the compartment of a client of the caller. One
that lies in none is shared by all (a practitioner, a value set), with two exceptions for who sees
some clients only: it must not refer to what lies in another client's record, and what is about
clients by its kind (an Observation, a Task, a Provenance) must refer to something in the caller's.
A Binary must be the attachment of such a DocumentReference, or refer to such a resource by its
securityContext, or be of the caller's own making (`keepers.py`) and led to by no other clinic.

To change is less than to see: what is shared by all only who made it, what lies in the record of
another client as well nobody of these.

The compartment rows of a deleted resource stay, and the references by which it is seen
(`rows_of_deleted.py`): its deletion and history are told to whoever saw it, and to nobody else.
Earlier versions that lay in another client's record stay with that client (`version_visible`).
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache, lru_cache

from service.caller import Caller
from service.standard.definitions import definitions
from service.standard.extraction.walks import walk_of
from service.standard.grants import WHOLE, grants_of
from service.standard.registry import RESOURCE_TYPES
from service.store.caseload import FENCE, Condition, is_narrowed, own_client
from service.store.keepers import kept_by
from service.store.restrictions import meets_any
from service.store.withheld import no_past_withheld, not_withheld

_RID = "@rid"
_CHANGING = frozenset("ud")
_NOWHERE: Condition = ("FALSE", ())
_ABOUT_CLIENTS = frozenset({"Binary", "Subscription", "Task"})
"""Beside the types of the Patient compartment."""


def visible(
    caller: Caller, rid: str, letter: str = "r", types: tuple[str, ...] | None = None
) -> Condition | None:
    """A condition on the column `rid` (SQL text, for instance `r.rid`) and its parameters.

    `letter` is that of the scopes: r to read, s to search, c, u and d to write; of several, each
    must allow it. `types` are what the resource may be, where that is known. None where all may be
    seen, so that the common case costs nothing. The same text is understood by both engines.
    """
    grants = grants_of(caller)
    withheld = not_withheld(caller, rid)
    if not is_narrowed(caller, letter) and grants.wholly(letter, types or RESOURCE_TYPES):
        return withheld
    text, params = _condition(caller, letter, types)
    text = text.replace(_RID, rid)
    if withheld is None:
        return text, params
    return f"({text} AND {withheld[0]})", (*params, *withheld[1])


def and_visible(
    caller: Caller, rid: str, letter: str = "r", types: tuple[str, ...] | None = None
) -> Condition:
    """The same as text to append to a WHERE clause; empty where nothing narrows."""
    condition = visible(caller, rid, letter, types)
    return ("", ()) if condition is None else (f" AND {condition[0]}", condition[1])


def within_scopes(
    caller: Caller, rid: str, letter: str, types: tuple[str, ...] | None = None
) -> Condition | None:
    """What the scopes alone say, for what is known to lie in the record of an own client."""
    if grants_of(caller).wholly(letter, types or RESOURCE_TYPES):
        return None
    text, params = _condition(caller, letter, types, among_clients=False)
    return text.replace(_RID, rid), params


def and_version_visible(
    caller: Caller,
    letter: str = "r",
    types: tuple[str, ...] | None = None,
    *,
    judged: bool = False,
) -> Condition:
    """The same for a row `v` of `version`: also that it lay in a record of the caller's.

    The tables tell what a resource is now. So of a type that scopes restrict (`?category=…`) no
    earlier version is seen: it may have been something else. `judged`: that is looked at by who
    asks, from the version itself.
    """
    text, params = and_visible(caller, "v.rid", letter, types)
    if not judged:
        text += _newest_where_restricted(caller, letter, types or RESOURCE_TYPES)
    if (withheld := no_past_withheld(caller)) is not None:
        text, params = f"{text} AND {withheld[0]}", (*params, *withheld[1])
    own = own_client(caller, letter, "pc.patient")
    if own is None:
        return text, params
    # The rows with the lowest number from this version on tell where it lay.
    past = "FROM past_compartment pc WHERE pc.rid = v.rid AND pc.vid >= v.vid"
    nearest = (
        "(SELECT min(pn.vid) FROM past_compartment pn WHERE pn.rid = v.rid AND pn.vid >= v.vid)"
    )
    shared = f"(pc.patient = '' AND v.type NOT IN ({_quoted(about_clients())}))"
    return (
        f"{text} AND (NOT EXISTS (SELECT 1 {past}{FENCE}) OR EXISTS (SELECT 1 {past}"
        f" AND pc.vid = {nearest} AND ({shared} OR (pc.patient <> '' AND {own[0]})){FENCE}))",
        (*params, *own[1]),
    )


def _newest_where_restricted(caller: Caller, letter: str, types: Iterable[str]) -> str:
    grants = grants_of(caller)
    restricted = [kind for kind in types if any(grants.of(each, kind) for each in letter)]
    if not restricted:
        return ""
    newest = "(SELECT rn.seq FROM resource rn WHERE rn.rid = v.rid)"
    return f" AND (v.type NOT IN ({_quoted(restricted)}) OR v.seq = {newest})"


def sees_nothing(caller: Caller, letter: str, types: Iterable[str]) -> bool:
    """Whether the scopes have this letter (of several: all of them) for none of the types."""
    grants = grants_of(caller)
    return not grants.unlimited.issuperset(letter) and all(
        grants.lacks(letter, each) for each in types
    )


def may_miss(caller: Caller, letter: str, kind: str) -> bool:
    """Whether there may be resources of this type that the caller does not see."""
    return is_narrowed(caller, letter) or not grants_of(caller).wholly(letter, (kind,))


@cache
def about_clients() -> frozenset[str]:
    """The types whose resources belong to some client by their kind."""
    return _ABOUT_CLIENTS | {kind for kind in RESOURCE_TYPES if walk_of(kind).compartment}


@lru_cache(maxsize=512)
def _condition(
    caller: Caller, letter: str, types: tuple[str, ...] | None, *, among_clients: bool = True
) -> Condition:
    parts: list[Condition] = []
    for allowed in dict.fromkeys(_allowed(caller, each, types) for each in letter):
        if allowed == _NOWHERE:
            return _NOWHERE
        if allowed is not None:
            parts.append(allowed)
    own = own_client(caller, letter, "c.patient") if among_clients else None
    if own is not None:
        parts.append(_of_clients(caller, letter, own, types or RESOURCE_TYPES))
    text = "".join(f" AND {part}" for part, _ in parts)
    return (
        f"EXISTS (SELECT 1 FROM compartment c WHERE c.rid = {_RID}{text}{FENCE})",
        tuple(value for _, values in parts for value in values),
    )


def _allowed(caller: Caller, letter: str, types: tuple[str, ...] | None) -> Condition | None:
    """What the scopes say of a row `c` of `compartment`; None where they allow all of it."""
    grants = grants_of(caller)
    among = types or RESOURCE_TYPES
    if grants.wholly(letter, among):
        return None
    found = {kind: grants.of(letter, kind) for kind in among}
    ways: list[Condition] = []
    whole = [kind for kind, alternatives in found.items() if alternatives == WHOLE]
    if whole:
        ways.append((f"c.type IN ({_quoted(whole)})", ()))
    for kind, alternatives in found.items():
        if alternatives:
            text, params = meets_any(kind, alternatives, "c.rid")
            ways.append((f"(c.type = '{kind}' AND {text})", params))
    if not ways:
        return _NOWHERE
    joined = " OR ".join(text for text, _ in ways)
    return f"({joined})", tuple(value for _, values in ways for value in values)


def _of_clients(caller: Caller, letter: str, own: Condition, among: tuple[str, ...]) -> Condition:
    """That a row `c` of `compartment` is of an own client, or shared."""
    target = own_client(caller, letter, "sk.patient")
    assert target is not None
    changes = letter in _CHANGING
    leads = (
        "SELECT 1 FROM index_reference sf CROSS JOIN resource so CROSS JOIN compartment sk"
        " WHERE sf.rid = c.rid AND so.type = sf.target_type AND so.id = sf.target_id"
        " AND sk.rid = so.rid AND sk.patient <> ''"
    )
    location = definitions().parameter_number("DocumentReference", "location")
    attached = (
        "SELECT 1 FROM resource so CROSS JOIN index_uri su CROSS JOIN compartment sk"
        f" WHERE so.rid = c.rid AND su.param = {location} AND su.value = 'Binary/' || so.id"
        " AND sk.rid = su.rid AND sk.patient <> ''"
    )
    of_nobody = about_clients().intersection(among)
    kept = kept_by(caller, "c.rid")
    ways: list[Condition] = []
    if of_nobody:
        shared = f"c.type NOT IN ({_quoted(of_nobody)})"
        ways.append((f"({shared} AND {kept[0]})", kept[1]) if changes else (shared, ()))
        ways.append((f"EXISTS ({leads} AND {target[0]}{FENCE})", target[1]))
    if "Binary" in of_nobody:
        found = f"EXISTS ({attached} AND {target[0]}{FENCE})"
        theirs = f"EXISTS ({attached} AND NOT {target[0]}{FENCE})"
        ways.append((f"(c.type = 'Binary' AND {found})", target[1]))
        free = f"(c.type = 'Binary' AND {kept[0]} AND NOT {theirs})"
        ways.append((free, (*kept[1], *target[1])))
    if changes and not of_nobody:
        ways.append(kept)
    some = f"({' OR '.join(way for way, _ in ways)}) AND " if ways else ""
    foreign = f"EXISTS ({leads} AND NOT {target[0]}{FENCE})"
    mine: Condition = (f"(c.patient <> '' AND {own[0]})", own[1])
    if changes:
        another = "SELECT 1 FROM compartment sk WHERE sk.rid = c.rid AND sk.patient <> ''"
        alone = f"NOT EXISTS ({another} AND NOT {target[0]}{FENCE})"
        mine = (f"(c.patient <> '' AND {own[0]} AND {alone})", (*own[1], *target[1]))
    return (
        f"({mine[0]} OR (c.patient = '' AND {some}NOT {foreign}))",
        (*mine[1], *(value for _, values in ways for value in values), *target[1]),
    )


def _quoted(kinds: Iterable[str]) -> str:
    """Names of the registry, not of a client."""
    return ", ".join(f"'{kind}'" for kind in sorted(kinds))
