"""Which letters does each operation need, and what does it show of types whose letters are few?

SMART App Launch 2.2 has letters for interactions only, so this is our rule, told once:

- what is about codes and rules needs no letter;
- what shows the resource at its address, and what that refers to, needs `r` (read by id);
- what the caller finds by a search needs `s`, as any search: `$lastn`, `$stats`, `_include`,
  `_revinclude`, chains and `_has`, for each type that is asked about or shown;
- what the operation finds by itself and shows needs both: `$everything`, `$summary`, `$progress`,
  `$document` of a plan, `$export` (Bulk Data Access names `system/*.rs`).

Every subset of the letters is tried against each, for the type at the address and for what is
shown besides.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from typing import Any

import pytest

from service.caller import ANONYMOUS, Caller
from service.rest.operations import OPERATIONS
from service.standard.registry import RESOURCE_TYPES
from service.store.store import Store
from tests.access.asking import Asking, asking
from tests.contract.two_clinics import fill
from tests.factories.parts import drink

LETTERS = ["".join(s) for size in range(6) for s in itertools.combinations("cruds", size)]
CODE = "https://clinic.example/codes"
_OURS = "https://hyoid.example/fhir"
_SYSTEM = f"{_OURS}/CodeSystem/technique"
_ONE, _OTHER = "faucial-cold-strokes", "effortful-swallow"
_FORM = {
    "resourceType": "QuestionnaireResponse",
    "status": "completed",
    "questionnaire": "https://clinic.example/form",
    "item": [{"linkId": "1", "answer": [{"valueString": "x"}]}],
}
_PLAN = {"resourceType": "ActivityDefinition", "id": "act", "status": "active", "kind": "Task"}
_CODED = {
    "resourceType": "ValueSet",
    "id": "coded",
    "url": "https://clinic.example/coded",
    "status": "active",
    "compose": {"include": [{"system": CODE, "concept": [{"code": "m0"}]}]},
}
_DRINK = drink(150, 0, 18, 8, key="drink", subject={"reference": "Patient/north-p0"})

ASKED: list[tuple[str, str, str, Any, str]] = [
    # Operation, type at the address, address, body (POST), the letters needed for that type.
    ("Resource-validate", "CarePlan", "CarePlan/north-p0-plan/$validate", None, "r"),
    ("Resource-validate", "Flag", "Flag/$validate", {"resourceType": "Flag"}, ""),
    ("Patient-everything", "Patient", "Patient/north-p0/$everything", None, "rs"),
    ("summary", "Patient", "Patient/north-p0/$summary", None, "rs"),
    (
        "summary",
        "Patient",
        "Patient/$summary?identifier=https://clinic.example/clients|c-0",
        None,
        "rs",
    ),
    ("Composition-document", "Composition", "Composition/north-p0-letter/$document", None, "r"),
    (
        "Composition-document",
        "Composition",
        "Composition/$document?id=Composition/north-p0-letter",
        None,
        "r",
    ),
    (
        "Observation-lastn",
        "Observation",
        "Observation/$lastn?patient=north-p0&category=therapy",
        None,
        "s",
    ),
    (
        "Observation-stats",
        "Observation",
        f"Observation/$stats?subject=Patient/north-p0&system={CODE}&code=m0&statistic=average",
        None,
        "s",
    ),
    ("diff", "CarePlan", "CarePlan/north-p0-plan/$diff?from=1&to=2", None, "r"),
    (
        "PlanDefinition-apply",
        "PlanDefinition",
        "PlanDefinition/way/$apply?subject=Patient/north-p0",
        None,
        "r",
    ),
    (
        "ActivityDefinition-apply",
        "ActivityDefinition",
        "ActivityDefinition/act/$apply?subject=Patient/north-p0",
        None,
        "r",
    ),
    ("ValueSet-expand", "ValueSet", f"ValueSet/$expand?url={_OURS}/ValueSet/technique", None, ""),
    (
        "ValueSet-validate-code",
        "ValueSet",
        f"ValueSet/$validate-code?url={_OURS}/ValueSet/technique&system={_SYSTEM}&code={_ONE}",
        None,
        "",
    ),
    (
        "CodeSystem-validate-code",
        "CodeSystem",
        f"CodeSystem/$validate-code?url={_SYSTEM}&code={_ONE}",
        None,
        "",
    ),
    (
        "CodeSystem-lookup",
        "CodeSystem",
        f"CodeSystem/$lookup?system={_SYSTEM}&code={_ONE}",
        None,
        "",
    ),
    (
        "CodeSystem-subsumes",
        "CodeSystem",
        f"CodeSystem/$subsumes?system={_SYSTEM}&codeA={_ONE}&codeB={_OTHER}",
        None,
        "",
    ),
    (
        "ConceptMap-translate",
        "ConceptMap",
        f"ConceptMap/$translate?url={_OURS}/ConceptMap/technique-to-snomed-ct"
        f"&system={_SYSTEM}&code={_ONE}",
        None,
        "",
    ),
    (
        "QuestionnaireResponse-extract",
        "QuestionnaireResponse",
        "QuestionnaireResponse/north-p0-answers/$extract",
        None,
        "r",
    ),
    (
        "QuestionnaireResponse-extract",
        "QuestionnaireResponse",
        "QuestionnaireResponse/$extract",
        _FORM,
        "r",
    ),
    ("Observation-derive", "Observation", "Observation/drink/$derive", None, "r"),
    ("Observation-derive", "Observation", "Observation/$derive", _DRINK, "r"),
    ("CarePlan-progress", "CarePlan", "CarePlan/north-p0-plan/$progress", None, "rs"),
    ("patient-export", "Patient", "Patient/$export", None, "rs"),
    ("group-export", "Group", "Group/north-p0-group/$export", None, "r"),
    ("export", "", "$export", None, "rs"),
]


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def ask(request: pytest.FixtureRequest, module_store: Any) -> Iterator[Asking]:
    store: Store = module_store(request.param)
    fill(store, ("both", "north"))
    with asking(store, export_running=100_000, export_kept=100_000) as asker:
        for body in (_PLAN, _CODED, _DRINK):
            address = f"{body['resourceType']}/{body['id']}"
            assert asker(ANONYMOUS, "PUT", address, body).status == 201
        yield asker


def caller(letters: str, kind: str) -> Caller:
    """With these letters for one type (none: for all), and whatever is asked for the others."""
    others = [f"system/{each}.cruds" for each in RESOURCE_TYPES if kind and each != kind]
    own = [f"system/{kind or '*'}.{letters}"] if letters else []
    return Caller("c", frozenset([*others, *own]))


def test_every_operation_is_asked_at_each_of_its_addresses() -> None:
    levels = {
        (name.rpartition("/")[2], level)
        for name, each in OPERATIONS.items()
        for level in each.levels
        # Of what is about codes only, one address is enough.
        if each.needs or each.name == "validate"
    }
    for name, kind, address, _, _ in ASKED:
        path = address.partition("?")[0].split("/")
        level = "instance" if len(path) == 3 else "type" if kind else "system"
        levels.discard((name, level))
    # These are given the definition in the request; the letters are those of the row.
    assert levels == {("PlanDefinition-apply", "type"), ("ActivityDefinition-apply", "type")}
    assert {name.rpartition("/")[2] for name in OPERATIONS} == {row[0] for row in ASKED}


@pytest.mark.parametrize("row", ASKED, ids=lambda row: f"{row[0]} {row[2].partition('?')[0]}")
def test_letters_against_operations(ask: Asking, row: tuple[str, str, str, Any, str]) -> None:
    _, kind, address, body, needs = row
    for letters in LETTERS:
        told = ask(caller(letters, kind), "GET" if body is None else "POST", address, body)
        if set(needs) <= set(letters):
            assert told.status < 300, (letters, told.body)
            continue
        assert told.status == 403, (letters, told.body)
        if told.status == 403:
            issue = told.json()["issue"][0]
            missing = next(letter for letter in needs if letter not in letters)
            assert issue["code"] == "forbidden"
            assert f"has {missing!r} for {kind or 'any type'}" in issue["diagnostics"]


NOTE = b"note of north"
VALUE = b'"code":"m1"'
SHOWN: list[tuple[str, str, bytes, str]] = [
    # Address, the type whose letters are few, what is shown of it, the letters it takes.
    ("Patient/north-p0/$everything", "Observation", NOTE, "rs"),
    ("Patient/north-p0/$everything?_count=50", "Observation", NOTE, "rs"),
    ("Patient/north-p0/$everything?bundle-type=transaction", "Observation", NOTE, "rs"),
    ("Patient/north-p0/$everything", "Practitioner", b'"id":"visitor"', "rs"),
    ("Patient/north-p0/$summary", "Observation", VALUE, "rs"),
    ("CarePlan/north-p0-plan/$progress", "Observation", b'"code":"m0"', "rs"),
    ("Patient/north-p0/*?_count=100", "Observation", NOTE, "s"),
    ("_history?_count=100", "Observation", NOTE, "s"),
    ("Encounter?_revinclude=Observation:encounter", "Observation", NOTE, "s"),
    ("Observation?_include=Observation:encounter", "Encounter", b'"finished"', "s"),
    ("Observation?encounter.status=finished", "Encounter", NOTE, "s"),
    ("Encounter?_has:Observation:encounter:code=m0", "Observation", b'"finished"', "s"),
    ("Observation?_list=north-p0-list", "List", NOTE, "s"),
    ("Composition/north-p0-letter/$document", "Observation", NOTE, "r"),
    # Stored definitions: by id they are read, by URL they are found.
    ("ValueSet/words/$expand", "ValueSet", b'"code":"a"', "r"),
    ("ValueSet/$expand?url=https://clinic.example/words", "ValueSet", b'"code":"a"', "s"),
    ("Observation?code:in=https://clinic.example/coded", "ValueSet", b"p0-nobody", "s"),
]


@pytest.mark.parametrize("row", SHOWN, ids=lambda row: f"{row[1]} {row[0]}")
def test_letters_against_what_is_shown_besides(
    ask: Asking, row: tuple[str, str, bytes, str]
) -> None:
    address, kind, seen, needs = row
    for letters in LETTERS:
        told = ask(caller(letters, kind), "GET", address)
        assert told.status in (200, 400, 403, 404, 422), (letters, told.body)
        assert (seen in told.body) is (set(needs) <= set(letters)), (letters, told.body)


@pytest.mark.parametrize("address", ["$export", "Patient/$export", "Group/north-p0-group/$export"])
def test_letters_against_what_is_exported(ask: Asking, address: str) -> None:
    for letters in LETTERS:
        who = caller(letters, "Observation")
        allowed = {"r", "s"} <= set(letters)
        begun = ask(who, "GET", address)
        assert begun.status == 202
        told = ask(who, "GET", begun.headers["content-location"]).json()
        types = {each["type"] for each in told["output"]}
        assert "Patient" in types
        assert ("Observation" in types) is allowed, letters
        named = ask(who, "GET", f"{address}?_type=Observation")
        assert named.status == (202 if allowed else 403), letters


def test_a_named_type_that_may_not_be_listed_is_refused(ask: Asking) -> None:
    for letters in ("", "r", "s"):
        address = "Patient/north-p0/$everything?_type=Observation"
        assert ask(caller(letters, "Observation"), "GET", address).status == 403


def test_a_plan_is_not_written_about_by_who_may_not_list_all_of_it(ask: Asking) -> None:
    for letters in LETTERS:
        told = ask(
            caller(letters, "Observation"), "POST", "Composition/$document?plan=north-p0-plan"
        )
        allowed = {"r", "s"} <= set(letters)
        assert told.status in ((200, 201) if allowed else (403,)), (letters, told.body)


def test_restrictions_of_reading_and_searching_must_both_be_met(ask: Asking) -> None:
    """Else what is found by one would be shown by the other."""
    others = [f"system/{each}.cruds" for each in RESOURCE_TYPES if each != "Observation"]

    def codes(*own: str) -> set[str]:
        who = Caller("c", frozenset([*others, *own]))
        told = ask(who, "GET", "Patient/north-p0/$everything").json()
        found = [entry["resource"] for entry in told["entry"]]
        listed = [each for each in found if each["resourceType"] == "Observation"]
        assert told["total"] == sum(entry["search"]["mode"] == "match" for entry in told["entry"])
        begun = ask(who, "GET", "Patient/$export")
        output = ask(who, "GET", begun.headers["content-location"]).json()["output"]
        exported = b"".join(ask(who, "GET", each["url"]).body for each in output)
        told_codes = {each["code"]["coding"][0]["code"] for each in listed}
        for code in ("m0", "m1"):
            assert (f'"code":"{code}"'.encode() in exported) is (code in told_codes)
        return told_codes & {"m0", "m1"}

    one, other = "system/Observation.r?code=m0", "system/Observation.s?code=m1"
    assert codes(one, other) == set()
    assert codes(one, "system/Observation.s") == {"m0"}
    assert codes("system/Observation.r", other) == {"m1"}
    assert codes("system/Observation.rs?code=m0", other) == {"m0"}
    assert codes("system/Observation.rs?code=m0", "system/Observation.rs?code=m1") == {"m0", "m1"}
    assert codes("system/Observation.read") == {"m0", "m1"}
