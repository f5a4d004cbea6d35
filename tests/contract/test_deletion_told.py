"""Is a deletion told to exactly those who saw what was deleted?

A differential: a resource of every type, leading by every element that a search parameter knows to
what lies in the caller's, another's, both clients' records, or in none. What is seen before the
deletion is told after it by every way of asking; no search finds it.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from service.caller import ANONYMOUS, Caller
from service.standard.definitions import definitions
from service.standard.registry import RESOURCE_TYPES
from service.store.current import current_version, numbered_version
from service.store.history import HistoryQuery, history
from service.store.reindex import reindexed
from service.store.store import Store
from service.store.visibility import and_version_visible
from tests.access.asking import BASE, asking
from tests.contract.test_widening import NORTH, NORTH_ONE, NORTH_TEAM, SOUTH, client, of, ref, team
from tests.factories.clinical import observation
from tests.handover.bulk.taking import request, take
from tests.store.agreement import disagreements

CALLERS = [NORTH, NORTH_TEAM, NORTH_ONE, SOUTH, ANONYMOUS]
TYPES = [kind for kind in RESOURCE_TYPES if kind != "AuditEvent"]
BEFORE = [
    of("Organization", "north", name="North"),
    of("Organization", "south", name="South"),
    client("north", "north"),
    client("south", "south"),
    team("north-team", "Patient/north", "Practitioner/north-doc"),
    observation("north", "Patient/north"),
    observation("south", "Patient/south"),
    of("Practitioner", "of-nobody"),
]
LEADING = [
    ("Patient/north",),
    ("Patient/south",),
    ("Observation/north",),
    ("Observation/south",),
    ("Observation/north", "Observation/south"),
    ("Organization/north", "Organization/south"),
    ("Practitioner/north-doc",),
    ("Practitioner/of-nobody",),
]


def _resources() -> Iterator[dict[str, Any]]:
    for kind in TYPES:
        least: dict[str, Any] = {"target": []} if kind == "Provenance" else {}
        yield of(kind, f"{kind}-0", **least)
        paths = {
            parameter.expression
            for parameter in definitions().search_parameters(kind).values()
            if parameter.kind == "reference"
        }
        made: list[dict[str, Any]] = []
        for targets in LEADING:
            if kind == "Binary":
                made += [{"securityContext": ref(each)} for each in targets]
            for path in sorted(paths):
                made += _leading(kind, path.split(".")[1:], targets)
        for number, more in enumerate(made, 1):
            yield of(kind, f"{kind}-{number}", **least | more)


def _leading(path: str, names: list[str], targets: tuple[str, ...]) -> list[dict[str, Any]]:
    """The elements along a path that end in references to these; none for other paths."""
    elements = definitions().elements(path)
    name = next((n for n in (names[0], f"{names[0]}Reference") if n in elements), "")
    if not name or any("(" in each for each in names):
        return []
    element = elements[name]
    if len(names) > 1:
        inner = _leading(element.children, names[1:], targets)
        if len(inner) > 1:
            return [{name: inner}] if element.repeats else []
        return [{name: [each] if element.repeats else each} for each in inner]
    if element.type != "Reference":
        return []
    if element.repeats:
        return [{name: [ref(each) for each in targets]}]
    return [{name: ref(each)} for each in targets]


def _names(store: Store, made: list[dict[str, Any]]) -> list[tuple[str, str]]:
    """They are stored, and their names told."""
    with store.write(ANONYMOUS) as unit:
        for each in BEFORE + made:
            unit.append(each, each["id"], BASE, method="PUT", current=None)
    own: list[tuple[str, str]] = []
    for kind in ("Binary", "Task", "Practitioner"):
        leads = {"focus": ref("Observation/north")} if kind == "Task" else {}
        for caller in (NORTH, SOUTH if kind != "Task" else NORTH):
            with store.write(caller) as unit:
                key = f"made-by-{caller.name}-{len(own)}"
                unit.append(of(kind, **leads), key, BASE, method="POST", current=None)
            own.append((kind, key))
    return [(each["resourceType"], each["id"]) for each in made] + own


def _seen(store: Store, caller: Caller, names: list[tuple[str, str]], vid: int) -> set[str]:
    """What the caller sees of this version of them; of some by read, vread and history as well."""
    found: set[str] = set()
    with store.reader() as connection:
        for kind in TYPES:
            seen, params = and_version_visible(caller, "r", (kind,))
            rows = connection.rows(
                "SELECT r.id FROM resource r JOIN version v ON v.rid = r.rid"
                f" WHERE r.type = ? AND v.vid = ?{seen}",
                (kind, vid, *params),
            )
            found |= {f"{kind}/{key}" for (key,) in rows} & {f"{k}/{key}" for k, key in names}
        for kind, key in names[::100] + names[-6:]:
            ways = {
                current_version(connection, caller, kind, key) is not None,
                numbered_version(connection, caller, kind, key, vid) is not None,
                len(history(connection, caller, HistoryQuery(kind, key))) == vid,
            }
            assert ways == {f"{kind}/{key}" in found}, (caller.name, kind, key)
    return found


def test_who_saw_it_is_told_of_its_deletion_and_nobody_else(store: Store) -> None:
    made = list(_resources())
    names = _names(store, made)
    before = {caller.name: _seen(store, caller, names, 1) for caller in CALLERS}
    some = len(before[NORTH_ONE.name])
    assert {name.split("/")[0] for name in before["north"]} == {*TYPES} - {"Subscription"}
    assert 100 < some < len(names) == len(before[ANONYMOUS.name])
    since = take(store, request()).updated
    with store.write(ANONYMOUS) as unit:
        for kind, key in names:
            current = unit.current(kind, key)
            assert current is not None
            unit.delete(current)
    for index in ("as it was", "made anew"):
        for caller in CALLERS:
            told = _seen(store, caller, names, 2)
            assert told == before[caller.name], (index, caller.name)
            export = take(store, request(since=since, by=caller), caller=caller)
            assert set(export.deleted) == told, (index, caller.name)
            assert not export.names, (index, caller.name)
        with store.reader() as connection:
            # An export moves the clock.
            assert [d for d in disagreements(connection, BASE) if "clock" not in d] == []
        list(reindexed(store, ANONYMOUS, BASE))


def test_a_clinic_keeps_the_records_of_a_client_that_was_deleted(store: Store) -> None:
    with asking(store) as ask:
        for each in BEFORE:
            assert ask(ANONYMOUS, "PUT", f"{each['resourceType']}/{each['id']}", each).status == 201
        assert ask(NORTH, "DELETE", "Patient/north").status in (200, 204)
        assert ask(NORTH, "GET", "Patient/north").status == 410
        assert ask(SOUTH, "GET", "Patient/north").status == 404
        assert ask(NORTH, "GET", "Observation/north").status == 200
        assert ask(NORTH, "GET", "Patient").json()["total"] == 0
        assert ask(NORTH, "PUT", "Patient/north", client("north", "north")).status == 201
        assert ask(ANONYMOUS, "PUT", "Patient/north", client("north", "south")).status == 200
        assert ask(NORTH, "GET", "Patient/north").status == 404


def test_no_search_finds_what_was_deleted(store: Store) -> None:
    names = _names(store, list(_resources()))
    with store.write(ANONYMOUS) as unit:
        for kind, key in names:
            current = unit.current(kind, key)
            assert current is not None
            unit.delete(current)
    with asking(store) as ask:
        for kind in TYPES:
            for code, parameter in definitions().search_parameters(kind).items():
                if parameter.kind != "reference":
                    continue
                questions = [f"{kind}?_sort={code}&_id:not=x", f"{kind}?{code}:missing=false"]
                for type_ in ("Patient", "Observation", "Practitioner"):
                    if type_ in parameter.targets:
                        questions.append(f"{kind}?{code}={type_}/north")
                        questions.append(f"{type_}?_id=north&_revinclude={kind}:{code}")
                        questions.append(f"{type_}?_has:{kind}:{code}:_lastUpdated=gt2000")
                for question in questions:
                    told = ask(ANONYMOUS, "GET", question)
                    assert told.status == 200, (question, told.body)
                    entries = told.json().get("entry", [])
                    found = {(e["resource"]["resourceType"], e["resource"]["id"]) for e in entries}
                    assert not found & set(names), question
