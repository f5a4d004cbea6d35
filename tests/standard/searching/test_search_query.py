"""Is the query string of a search read as R4 says? http://hl7.org/fhir/R4/search.html"""

from __future__ import annotations

import pytest

from service.errors import Invalid, NotSupported, TooCostly
from service.standard.search_query import SearchQuery, parse_search
from service.standard.searching.query import (
    Chain,
    CompositeValue,
    Condition,
    DateValue,
    Has,
    IdIs,
    InCompartment,
    Missing,
    OnList,
    QuantityValue,
    ReferenceValue,
    TextValue,
    TokenValue,
    UpdatedAt,
    UriValue,
    Value,
)

BASE = "https://clinic.example/fhir/"
SECOND = 1_000_000
DAY = 86_400 * SECOND
NOW = 20_000 * DAY


def parsed(type_: str | None, *pairs: tuple[str, str]) -> SearchQuery:
    return parse_search(type_, pairs, strict=True, base=BASE, now=NOW)


def condition(type_: str, name: str, value: str) -> Condition:
    (criterion,) = parsed(type_, (name, value)).criteria
    assert isinstance(criterion, Condition)
    return criterion


def values(type_: str, name: str, value: str) -> tuple[Value, ...]:
    return condition(type_, name, value).values


# The table of forms in section token.
@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("male", TokenValue(None, "male")),
        ("http://s|male", TokenValue("http://s", "male")),
        ("|male", TokenValue("", "male")),
        ("http://s|", TokenValue("http://s", None)),
        (r"a\|b", TokenValue(None, "a|b")),
    ],
)
def test_tokens(text: str, expected: TokenValue) -> None:
    assert values("Patient", "gender", text) == (expected,)


def test_commas_divide_alternatives_unless_escaped() -> None:
    assert values("Patient", "name", r"a\,b,c\\,d") == (
        TextValue("a,b"),
        TextValue("c\\"),
        TextValue("d"),
    )


def test_repetition_is_and() -> None:
    query = parsed("Patient", ("given", "a"), ("given", "b"))
    assert len(query.criteria) == 2


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("23", ReferenceValue(id="23")),
        ("Patient/23", ReferenceValue("Patient", "23")),
        ("Patient/23/_history/4", ReferenceValue("Patient", "23")),
        (BASE + "Patient/23", ReferenceValue("Patient", "23")),
        ("http://other/fhir/Patient/23", ReferenceValue(url="http://other/fhir/Patient/23")),
        ("urn:uuid:1-2", ReferenceValue(url="urn:uuid:1-2")),
    ],
)
def test_references(text: str, expected: ReferenceValue) -> None:
    assert values("Observation", "subject", text) == (expected,)


def test_canonical_references_keep_their_version() -> None:
    found = values("QuestionnaireResponse", "questionnaire", "http://q/scale|1.0")
    assert found == (ReferenceValue(url="http://q/scale|1.0"),)


def test_a_type_as_modifier_narrows_an_id() -> None:
    for text in ("23", "Patient/23"):
        assert values("Observation", "subject:Patient", text) == (ReferenceValue("Patient", "23"),)
    with pytest.raises(Invalid):
        parsed("Observation", ("subject:Patient", "Group/23"))


def test_identifier_as_modifier_asks_the_identifier_of_the_reference() -> None:
    found = condition("Observation", "subject:identifier", "urn:a|5")
    assert [parameter.code for parameter in found.parameters] == ["subject:identifier"]
    assert found.values == (TokenValue("urn:a", "5"),)


def test_of_type_takes_system_code_and_value() -> None:
    found = condition("Patient", "identifier:of-type", "http://t|MR|446053")
    assert found.values == (TokenValue("http://t|MR", "446053"),)
    for text in ("MR|446053", "http://t|MR|", "x"):
        with pytest.raises(Invalid):
            parsed("Patient", ("identifier:of-type", text))
    with pytest.raises(NotSupported):
        parsed("Patient", ("gender:of-type", "http://t|MR|446053"))


# Worked examples of section date.
@pytest.mark.parametrize(
    ("text", "prefix", "low", "width"),
    [
        ("1970-01-02", "eq", DAY, DAY),
        ("ge1970-01-02", "ge", DAY, DAY),
        ("1970-01-02T00:00", "eq", DAY, 60 * SECOND),
        ("1970-01-02T01:00:00+01:00", "eq", DAY, SECOND),
        ("1970-01-02T01:00:00 01:00", "eq", DAY, SECOND),
        ("1970", "eq", 0, 365 * DAY),
    ],
)
def test_dates(text: str, prefix: str, low: int, width: int) -> None:
    (value,) = values("Observation", "date", text)
    assert value == DateValue(prefix, low, low + width - 1)  # type: ignore[arg-type]


def test_approximate_dates_reach_a_tenth_of_the_way_to_now() -> None:
    (value,) = values("Observation", "date", "ap1970-01-01")
    assert value == DateValue("ap", -NOW // 10, DAY - 1 + NOW // 10)


# Worked examples of section number: [5.35, 5.45), [99.5, 100.5), [95, 105).
@pytest.mark.parametrize(
    ("text", "exact", "low", "high"),
    [
        ("5.4", 5.4, 5.35, 5.45),
        ("100", 100, 99.5, 100.5),
        ("100.00", 100, 99.995, 100.005),
        ("1e2", 100, 95, 105),
        ("5.40e-3", 0.0054, 0.0053995, 0.0054005),
        ("ap100", 100, 90, 110),
        ("ap-100", -100, -110, -90),
    ],
)
def test_numbers_stand_for_what_they_round_to(
    text: str, exact: float, low: float, high: float
) -> None:
    (value,) = values("Observation", "value-quantity", text)
    assert isinstance(value, QuantityValue)
    assert (value.amount.exact, value.amount.low, value.amount.high) == (exact, low, high)
    assert (value.system, value.code, value.base) == (None, None, None)


def test_quantities_with_unit() -> None:
    (ucum,) = values("Observation", "value-quantity", "gt5.4|http://unitsofmeasure.org|kPa")
    assert isinstance(ucum, QuantityValue)
    assert (ucum.prefix, ucum.code, ucum.base_unit) == ("gt", "kPa", "g.m-1.s-2")
    assert ucum.base is not None
    assert ucum.base.exact == 5_400_000
    (other,) = values("Observation", "value-quantity", "5||strokes")
    assert isinstance(other, QuantityValue)
    assert (other.system, other.code, other.base) == (None, "strokes", None)


def test_composites_have_a_part_for_each_component() -> None:
    (value,) = values("Observation", "code-value-quantity", r"urn:a|x\$y$lt5")
    assert isinstance(value, CompositeValue)
    assert value.parts[0] == TokenValue("urn:a", "x$y")
    assert isinstance(value.parts[1], QuantityValue)
    for text in ("x", "x$5$6"):
        with pytest.raises(Invalid):
            parsed("Observation", ("code-value-quantity", text))


def test_missing() -> None:
    (criterion,) = parsed("Observation", ("subject:missing", "true")).criteria
    assert isinstance(criterion, Missing)
    assert criterion.missing
    assert [twin.code for twin in criterion.twins] == ["subject:identifier"]
    with pytest.raises(NotSupported):
        parsed("Observation", ("code-value-quantity:missing", "true"))


def test_chains_with_and_without_type() -> None:
    (typed,) = parsed("Observation", ("subject:Patient.name:exact", "x")).criteria
    assert isinstance(typed, Chain)
    ((target, inner),) = typed.branches
    assert target == "Patient"
    assert isinstance(inner, Condition)
    assert inner.modifier == "exact"
    (free,) = parsed("Observation", ("subject.name", "x")).criteria
    assert isinstance(free, Chain)
    assert [target for target, _ in free.branches] == ["Location", "Patient"]


def test_chains_and_has_nest() -> None:
    name = "part-of:Procedure.subject:Patient._has:Goal:subject:_id"
    (first,) = parsed("Observation", (name, "g1")).criteria
    assert isinstance(first, Chain)
    second = first.branches[0][1]
    assert isinstance(second, Chain)
    third = second.branches[0][1]
    assert isinstance(third, Has)
    assert (third.parameter.type, third.parameter.code) == ("Goal", "subject")
    assert third.criterion == IdIs(("g1",))


def test_parameters_of_every_resource() -> None:
    query = parsed(
        "Observation", ("_id", "a,b"), ("_id:not", "c"), ("_lastUpdated", "gt2024"), ("_list", "l")
    )
    ids, not_ids, updated, listed = query.criteria
    assert ids == IdIs(("a", "b"))
    assert not_ids == IdIs(("c",), negated=True)
    assert isinstance(updated, UpdatedAt)
    assert isinstance(listed, OnList)
    assert condition("Observation", "_profile", "http://p").values == (UriValue("http://p"),)


def test_several_types_share_their_parameters() -> None:
    query = parsed(None, ("_type", "Observation,Procedure"), ("code", "x"))
    assert query.types == ("Observation", "Procedure")
    (criterion,) = query.criteria
    assert isinstance(criterion, Condition)
    assert [parameter.type for parameter in criterion.parameters] == list(query.types)
    with pytest.raises(NotSupported):
        parsed(None, ("_type", "Observation,Patient"), ("code", "x"))


@pytest.mark.parametrize(
    ("type_", "name", "value"),
    [
        (None, "_type", "AuditEvent"),
        (None, "_type", "Patient,AuditEvent"),
        ("Patient", "_has:AuditEvent:patient:action", "R"),
        ("Provenance", "target:AuditEvent.action", "R"),
        ("Patient", "_revinclude", "AuditEvent:patient"),
        ("Provenance", "_include", "Provenance:target:AuditEvent"),
        ("Provenance", "_include:iterate", "AuditEvent:*"),
    ],
)
def test_what_only_the_audit_log_could_answer_is_refused(
    type_: str | None, name: str, value: str
) -> None:
    """No index has AuditEvents: nothing would be found, whoever accessed what."""
    with pytest.raises((NotSupported, Invalid)) as refusal:
        parsed(type_, (name, value))
    assert refusal.value.issues[0].location == f"http.{name}"


def test_a_chain_to_any_type_passes_the_audit_log_by() -> None:
    (chain,) = parsed("Provenance", ("target.date", "2024")).criteria
    assert isinstance(chain, Chain)
    targets = [target for target, _ in chain.branches]
    assert "Observation" in targets
    assert "AuditEvent" not in targets


def test_a_compartment_is_a_criterion() -> None:
    query = parse_search("Observation", [], compartment="p1")
    assert query.criteria == (InCompartment("p1"),)


def test_unknown_parameters_are_ignored_and_told() -> None:
    query = parse_search("Patient", [("bogus", "1"), ("name", "x"), ("gender", "")])
    assert len(query.criteria) == 1
    assert query.understood == (("name", "x"),)
    assert [issue.location for issue in query.ignored] == ["http.bogus", "http.gender"]
    assert {issue.severity for issue in query.ignored} == {"warning"}


def test_what_is_too_much_is_refused_before_it_is_tried() -> None:
    for name, value in (
        ("code", ",".join("x" * 2000)),
        (".".join(["part-of:Procedure"] * 20) + ".code", "x"),
        ("focus.focus.focus.focus.code", "x"),
        ("_include", "Observation:subject"),
    ):
        with pytest.raises(TooCostly):
            parsed("Observation", *[(name, value)] * (100 if name == "_include" else 1))
    with pytest.raises(TooCostly):
        parsed("Observation", *[("code", "x")] * 100)


def test_identity_tells_searches_apart_that_differ_in_order() -> None:
    one = parsed("Observation", ("code", "x"), ("_sort", "date"))
    other = parsed("Observation", ("code", "x"), ("_sort", "-date"))
    more = parsed("Observation", ("code", "x"), ("_sort", "date"), ("_count", "5"))
    assert one.identity != other.identity
    assert one.identity == more.identity
