"""Is every search answered from an index, on both engines?

Each statement that a search runs is explained by the engine itself. SQLite must not SCAN a table
or a whole index. PostgreSQL is told not to read tables from end to end where it could help it
(on so few rows it would be right to): what is then read so has no index that serves.
"""

from __future__ import annotations

import re
import time
from collections.abc import Iterator, Sequence
from typing import Any

import pytest

from service.caller import ANONYMOUS, Caller
from service.standard.search_query import parse_search
from service.standard.terminology.for_search import Expander
from service.store.connection import Connection
from service.store.searching import search
from service.store.searching.limits import DEFAULT, Limits
from service.store.store import Store
from service.terminology.stored import StoredLibrary
from tests.store.searching.invented_clinic import TREE, Maker
from tests.store.searching.invented_terms import terms
from tests.store.searching.recorder import Recorder

BASE = "http://clinic.example/fhir"
NONE_FEW = Limits(few=1, many=2, chunk=4)
"""Nothing is narrow: the ways for large stores are taken."""
PATIENCE = 60
"""Seconds."""

DATES = [f"{prefix}2024-03" for prefix in ("", "ne", "gt", "lt", "ge", "le", "sa", "eb", "ap")]
AMOUNTS = [f"{prefix}5.4" for prefix in ("", "ne", "gt", "lt", "ge", "le", "sa", "eb", "ap")]
UNIT = "|http://unitsofmeasure.org|kPa"

SEARCHES: list[tuple[str | None, str]] = [
    ("Observation", ""),
    ("Observation", "_id=ob1,ob2"),
    ("Observation", "_id:not=ob1"),
    ("Observation", "status=final"),
    ("Observation", "status:not=final"),
    ("Observation", "code=http://loinc.org|8867-4"),
    ("Observation", "code=http://loinc.org|"),
    ("Observation", "code=|free,lips"),
    ("Observation", "code:missing=true"),
    ("Observation", "code:missing=false"),
    *(
        ("Observation", f"code:{modifier}={codes}/{name}")
        for modifier in ("in", "not-in")
        for codes in ("http://clinic.example/codes",)
        for name in ("strength", "sites", "none")
    ),
    ("Observation", "code:in=ValueSet/sites&date=ge2024"),
    ("Observation", "code:in=ValueSet/sites&_sort=-date"),
    ("Observation", "code:in=ValueSet/none&_sort=-date"),
    ("Observation", "code:not-in=ValueSet/sites&_sort=-date"),
    ("Observation", f"code:below={TREE}|mouth"),
    ("Observation", f"code:above={TREE}|upper-lip"),
    ("Observation", "status:in=http://hl7.org/fhir/ValueSet/observation-status"),
    ("Observation", "part-of:Procedure.code:in=ValueSet/sites"),
    ("Observation", "part-of:Procedure.code:in=ValueSet/none"),
    ("Patient", "_has:Observation:patient:code:in=ValueSet/sites"),
    ("Patient", "_has:Observation:patient:code:not-in=ValueSet/none"),
    (None, "_type=Observation,Procedure&code:in=ValueSet/sites"),
    ("Observation", "code=lips&_sort=-date"),
    ("Observation", "code=lips,tongue&_sort=date"),
    ("Observation", "code=lips&status=final&_sort=-date"),
    ("Observation", "code=lips&date=ge2023-06&date=lt2024-06&_sort=-date"),
    ("Observation", "code:below=http://clinic.example/codes/tree|mouth&_sort=-date"),
    (None, "_type=Observation,Procedure&code=lips&_sort=-date"),
    ("Observation", "subject=Patient/p1"),
    ("Observation", "subject=p1"),
    ("Observation", "subject:Patient=p1"),
    ("Observation", "subject:missing=false"),
    ("Observation", "focus=p1"),
    ("Observation", "subject:identifier=urn:oid:1.2.3|N3"),
    ("Observation", "patient=p1&code=lips"),
    ("Observation", "patient=p1&date=ge2024&status=final"),
    *(("Observation", f"date={date}") for date in DATES),
    *(("Observation", f"_lastUpdated={prefix}2100") for prefix in ("", "gt", "ge", "sa", "ap")),
    *(("Observation", f"_lastUpdated={prefix}2024") for prefix in ("lt", "le", "eb")),
    *(("Observation", f"value-quantity={amount}") for amount in AMOUNTS),
    *(("Observation", f"value-quantity={amount}{UNIT}") for amount in AMOUNTS),
    ("Observation", "value-quantity=5.4||kPa"),
    ("Observation", "value-string=nov"),
    ("Observation", "value-string:exact=Novak"),
    ("Observation", "value-string:contains=ova"),
    ("Observation", "code-value-quantity=lips$gt5"),
    ("Observation", "component-code-value-quantity=lips$gt5||kPa"),
    ("Observation", "combo-code-value-quantity=lips$5,tongue$100"),
    ("Observation", "patient.family=Novak"),
    ("Observation", "patient.family:contains=ova"),
    ("Observation", "subject.identifier=N3"),
    ("Observation", "part-of:Procedure.based-on:CarePlan.status=active"),
    ("Observation", "patient.birthdate:missing=true"),
    ("Observation", "status=final&_sort=-date"),
    ("Observation", "_sort=date"),
    ("Observation", "_sort=-code"),
    ("Observation", "_sort=subject"),
    ("Observation", "_sort=value-quantity"),
    ("Observation", "_sort=value-string"),
    ("Observation", "_sort=_id"),
    ("Observation", "_sort=-_lastUpdated"),
    ("Observation", "patient=p1&_sort=-date,code"),
    ("Observation", "date=ge2024-03&_total=accurate"),
    ("Observation", "status=final&code=lips&_total=estimate"),
    ("Observation", "patient=p1&_include=*&_revinclude=*"),
    ("Observation", "_include=Observation:part-of&_include:iterate=Procedure:based-on"),
    ("Patient", "name=nov"),
    ("Patient", "_has:Observation:patient:code=lips"),
    ("Patient", "_has:CarePlan:patient:_has:Procedure:based-on:code=lips"),
    ("Patient", "_revinclude=Observation:patient&_revinclude:iterate=Provenance:target"),
    ("Patient", "_list=l1"),
    ("Questionnaire", "url=http://forms.example/Questionnaire/scale"),
    ("Questionnaire", "url:below=http://forms.example/Questionnaire"),
    ("Questionnaire", "url:above=http://forms.example/Questionnaire/scale/short"),
    ("Questionnaire", "_has:QuestionnaireResponse:questionnaire:patient=p1"),
    ("Questionnaire", "context-type-quantity=age$5"),
    ("Questionnaire", "_sort=url"),
    ("QuestionnaireResponse", "questionnaire.title=anna"),
    ("QuestionnaireResponse", "questionnaire=http://forms.example/Questionnaire/scale"),
    ("QuestionnaireResponse", "_include=QuestionnaireResponse:questionnaire"),
    (None, ""),
    (None, "_type=Observation,Procedure&code=lips"),
    *(
        ("Observation", f"{code}={words}{more}")
        for code in ("_text", "_content")
        for words in ("strength", '"lip strength"', "stren*", "lip left,nothing")
        for more in ("", "&status=final", "&_sort=-date", "&_sort=code", "&_total=accurate")
    ),
    ("Observation", "_text=lip&_content=left"),
    ("Observation", "patient=p1&_content=strength"),
    ("Observation", "part-of:Procedure._content=strength"),
    ("Observation", "patient._text=strength&status=final"),
    ("Patient", "_has:Observation:patient:_content=strength"),
    (None, "_content=strength"),
    (None, "_type=Observation,Procedure&_text=strength"),
    (None, "_tag=a|b"),
    (None, "_lastUpdated=gt2100"),
    (None, "_type=Observation,Procedure&_sort=-date"),
]


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def clinic(request: pytest.FixtureRequest, module_store: Any) -> Store:
    store: Store = module_store(request.param)
    with store.write(ANONYMOUS) as unit:
        for resource in [*terms(), *Maker(3).clinic(size=5)]:
            unit.append(resource, resource["id"], BASE, method="PUT", current=None)
    if request.param == "postgresql":
        with store.database.reader() as connection:
            vacuum(connection)
    return store


def vacuum(connection: Connection) -> None:
    """Let PostgreSQL know its tables, and that every row of `resource` is seen by all.

    It does not know the latter while a transaction of another test is open in the same database,
    and then finds an index that has all it needs no better than to look at every resource.
    """
    (tables,) = connection.rows(
        "SELECT string_agg(quote_ident(tablename), ', ') FROM pg_tables"
        " WHERE schemaname = current_schema()"
    )
    until = time.monotonic() + PATIENCE
    while True:
        connection.run(f"VACUUM ANALYZE {tables[0]}")
        ((unseen,),) = connection.rows(
            "SELECT relpages - relallvisible FROM pg_class WHERE oid = 'resource'::regclass"
        )
        if not unseen:
            return
        assert time.monotonic() < until, "a transaction in this database does not end"
        time.sleep(0.2)


def statements(
    store: Store, type_: str | None, asked: str, caller: Caller
) -> Iterator[tuple[str, list[str]]]:
    """Every statement of two pages of a search, with its plan."""
    pairs = [tuple(pair.split("=", 1)) for pair in asked.split("&") if pair]
    for limits in (DEFAULT, NONE_FEW):
        with store.reader() as connection:
            recorder = Recorder(connection)
            more: list[tuple[str, str]] = []
            for _ in range(2):
                expander = Expander(StoredLibrary(connection, ANONYMOUS))
                query = parse_search(
                    type_, [*pairs, *more], strict=True, base=BASE + "/", expander=expander
                )
                found = search(recorder, caller, query, count=3, secret=b"s", limits=limits)
                if found.next is None:
                    break
                more = [("_cursor", found.next)]
            for sql, params in recorder.asked:
                yield sql, explained(connection, sql, params)


def explained(connection: Connection, sql: str, params: Sequence[Any]) -> list[str]:
    if connection.dialect == "sqlite":
        return [row[3] for row in connection.rows(f"EXPLAIN QUERY PLAN {sql}", params)]
    connection.run("SET enable_seqscan = off")
    try:
        return [row[0] for row in connection.rows(f"EXPLAIN {sql}", params)]
    finally:
        connection.run("RESET enable_seqscan")


def scans(dialect: str, plan: list[str]) -> list[str]:
    """The lines that tell of a table or a whole index being read."""
    if dialect == "sqlite":
        made = {line.split()[1] for line in plan if line.startswith(("MATERIALIZE", "CO-ROUTINE"))}
        # What FTS5 matches (`M`) it has from its index.
        matched = re.compile(r"SCAN index_text_match VIRTUAL TABLE INDEX \d+:.*M")
        found = [s for s in plan if s.startswith("SCAN ") and not matched.match(s)]
        return [s for s in found if s.split()[1] not in made and "CONSTANT" not in s]
    bad = []
    for at, line in enumerate(plan):
        below = plan[at + 1] if at + 1 < len(plan) else ""
        if "Seq Scan on" in line or (
            re.search(r"Index (Only )?Scan", line) and "Index Cond" not in below
        ):
            bad.append(f"{line} / {below}")
    return bad


@pytest.mark.parametrize(("type_", "asked"), SEARCHES)
def test_no_search_scans_a_table(clinic: Store, type_: str | None, asked: str) -> None:
    for caller in (ANONYMOUS, Caller("mother", ANONYMOUS.scopes, clients=frozenset({"p1", "p2"}))):
        for sql, plan in statements(clinic, type_, asked, caller):
            found = scans(clinic.database.dialect, plan)
            assert not found, (asked, found, sql, plan)


def test_a_scan_would_be_noticed(clinic: Store) -> None:
    with clinic.reader() as connection:
        for sql in (
            "SELECT rid FROM resource WHERE vid = 7",
            "SELECT rid FROM index_token ORDER BY code",
            "SELECT rid FROM index_text WHERE length(CAST(words AS TEXT)) > 7",
        ):
            assert scans(connection.dialect, explained(connection, sql, ()))


@pytest.mark.parametrize(
    "asked",
    [
        "_sort=date",
        "date=ge2022&_sort=date",
        "date=ge2022&date=lt2026&_sort=-date",
        "date=ge2022",
        "code=lips&_sort=date",
        "code=lips,tongue&_sort=-date",
        "code=lips&date=ge2022&_sort=date",
    ],
)
def test_a_page_begins_where_the_one_before_ended(clinic: Store, asked: str) -> None:
    """And not where the stretch of the index begins: SQLite heeds one of the two."""
    if clinic.database.dialect != "sqlite":
        pytest.skip("PostgreSQL heeds both")
    found = list(statements(clinic, "Observation", asked, ANONYMOUS))
    later = [plan for sql, plan in found if ", d.rid) < (" in sql or ", d.rid) > (" in sql]
    assert later
    for plan in later:
        # Rows of long periods come in no order, and are few.
        reads = [line for line in plan if line.startswith("SEARCH d ") and "_long" not in line]
        assert reads
        assert all(re.search(r"\((low|at),rid\)[<>]\(", line) for line in reads), plan
