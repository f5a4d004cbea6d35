"""Are the parameters that shape an answer read as R4 says, and contradictions refused?"""

from __future__ import annotations

import pytest

from service.errors import HyoidError
from service.standard.search_query import parse_search
from service.standard.searching.query import Shape


def shape(*pairs: tuple[str, str], type_: str | None = "Observation") -> Shape:
    return parse_search(type_, pairs, strict=True).shape


def test_sort_keys_in_order_of_rank() -> None:
    keys = shape(("_sort", "-date,_id"), ("_sort", "_lastUpdated")).sort
    assert [(key.code, key.descending) for key in keys] == [
        ("date", True),
        ("_id", False),
        ("_lastUpdated", False),
    ]


def test_count_zero_and_summary_count_want_the_total_alone() -> None:
    assert shape(("_count", "0")).only_count
    assert shape(("_summary", "count")).only_count
    assert not shape(("_count", "1")).only_count


def test_includes() -> None:
    include, reverse, wild = shape(
        ("_include", "Observation:subject:Patient"),
        ("_revinclude:iterate", "Provenance:target"),
        ("_include", "*"),
    ).includes
    assert [p.code for p in include.parameters] == ["subject"]
    assert include.targets == ("Patient",)
    assert (include.reverse, include.iterate) == (False, False)
    assert (reverse.reverse, reverse.iterate) == (True, True)
    assert {parameter.type for parameter in wild.parameters} == {"Observation"}
    assert {"subject", "performer", "encounter"} <= {p.code for p in wild.parameters}


def test_elements_may_name_a_choice() -> None:
    assert shape(("_elements", "code,value")).elements == ("code", "value")


@pytest.mark.parametrize(
    "pairs",
    [
        [("_sort", "nothing")],
        [("_sort", "")],
        [("_sort:asc", "date")],
        [("_count", "1.5")],
        [("_count", "99999999999")],
        [("_count", "-1")],
        [("_count", "1"), ("_count", "1")],
        [("_total", "some")],
        [("_summary", "all")],
        [("_summary", "text"), ("_revinclude", "Provenance:target")],
        [("_elements", "nothing")],
        [("_include", "Observation:nothing")],
        [("_include", "Observation:subject:Nothing")],
        [("_include:sometimes", "Observation:subject")],
        [("_contained", "both")],
        [("_containedType", "container")],
    ],
)
def test_what_cannot_be_meant_is_refused(pairs: list[tuple[str, str]]) -> None:
    with pytest.raises(HyoidError) as refusal:
        shape(*pairs)
    assert refusal.value.status == 400
    assert (refusal.value.issues[0].location or "").startswith("http._")
