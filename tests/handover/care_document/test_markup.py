"""Narrative as XHTML. Outside source: lxml's parser, and R4's rules txt-1 and txt-2 by our
validation, which is itself tested against the package."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lxml import etree

from service.handover.care_document.markup import (
    fit,
    listing,
    narrative,
    pairs,
    paragraph,
    table,
)
from service.standard.validation import validate


def issues(div: str) -> list[str]:
    resource = {"resourceType": "Patient", "text": {"status": "generated", "div": div}}
    return [issue.text for issue in validate(resource) if issue.severity == "error"]


@settings(deadline=None)
@given(st.text(), st.text())
def test_any_text_makes_valid_narrative_that_says_it(one: str, two: str) -> None:
    nodes = [
        paragraph(one),
        *listing([two]),
        *table(one, ["a", two], [[two, one]]),
        *pairs(two, [(one, two)]),
    ]
    div = narrative(nodes)
    assert issues(div) == []
    root = etree.fromstring(div)
    assert root[0].text == fit(one)


@pytest.mark.parametrize("hostile", ["<script>x</script>", "&nbsp;", "]]>", "<!--", "a\x00\x0bb"])
def test_hostile_text_stays_text(hostile: str) -> None:
    div = narrative([paragraph(hostile)])
    root = etree.fromstring(div)
    assert [etree.QName(node).localname for node in root.iter()] == ["div", "p"]
    assert root[0].text == fit(hostile)


def test_nothing_makes_no_table() -> None:
    assert table("t", ["a"], []) == []
    assert listing([]) == []
    assert pairs("t", [("a", "")]) == []


def test_long_text_is_cut_and_says_so() -> None:
    assert fit("x" * 5000).endswith("… (cut; the whole text is in the record)")
