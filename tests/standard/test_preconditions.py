"""Decisions before a request. Source: R4, RESTful API, its tables of conditional interactions."""

from __future__ import annotations

from typing import Any

import pytest

from service.errors import Gone, HyoidError, Invalid, NotFound, PreconditionFailed
from service.standard.preconditions import (
    Create,
    Current,
    Delete,
    Existing,
    Nothing,
    Replace,
    Target,
    decide_conditional_delete,
    decide_conditional_patch,
    decide_conditional_update,
    decide_create,
    decide_delete,
    decide_patch,
    decide_read,
    decide_update,
)

THREE = Current(3)
GONE = Current(3, deleted=True)
STALE = PreconditionFailed


def outcome(decide: Any, *args: Any, **kwargs: Any) -> Any:
    """What was decided, or the kind of refusal."""
    try:
        return decide(*args, **kwargs)
    except HyoidError as error:
        return type(error)


@pytest.mark.parametrize(
    ("current", "if_match", "if_none_match", "wanted"),
    [
        (None, None, None, Create(1)),
        (THREE, None, None, Replace(4)),
        (GONE, None, None, Create(4)),
        (THREE, 'W/"3"', None, Replace(4)),
        (THREE, '"3"', None, Replace(4)),
        (THREE, "*", None, Replace(4)),
        (THREE, 'W/"2", W/"3"', None, Replace(4)),
        (THREE, 'W/"2"', None, STALE),
        (None, 'W/"1"', None, STALE),
        (None, "*", None, STALE),
        (GONE, 'W/"3"', None, STALE),
        (GONE, "*", None, STALE),
        (None, None, "*", Create(1)),
        (GONE, None, "*", Create(4)),
        (THREE, None, "*", STALE),
        (THREE, None, 'W/"3"', STALE),
        (THREE, None, 'W/"2"', Replace(4)),
    ],
)
def test_update(
    current: Current | None, if_match: str | None, if_none_match: str | None, wanted: Any
) -> None:
    found = outcome(decide_update, current, if_match=if_match, if_none_match=if_none_match)
    assert found == wanted


@pytest.mark.parametrize(
    ("current", "if_match", "wanted"),
    [
        (THREE, None, Replace(4)),
        (THREE, 'W/"3"', Replace(4)),
        (THREE, 'W/"2"', STALE),
        (None, None, NotFound),
        (None, 'W/"1"', STALE),
        (GONE, None, Gone),
        (GONE, 'W/"3"', STALE),
    ],
)
def test_patch(current: Current | None, if_match: str | None, wanted: Any) -> None:
    assert outcome(decide_patch, current, "Patient/p", if_match=if_match) == wanted


@pytest.mark.parametrize(
    ("current", "if_match", "wanted"),
    [
        (THREE, None, Delete(4)),
        (THREE, 'W/"3"', Delete(4)),
        (THREE, 'W/"2"', STALE),
        (None, None, Nothing()),
        (GONE, None, Nothing()),
        (None, 'W/"1"', STALE),
    ],
)
def test_delete(current: Current | None, if_match: str | None, wanted: Any) -> None:
    assert outcome(decide_delete, current, if_match=if_match) == wanted


SECOND = 1_000_000


@pytest.mark.parametrize(
    ("if_none_match", "if_modified_since", "needed"),
    [
        (None, None, True),
        ('W/"3"', None, False),
        ('"3"', None, False),
        ("*", None, False),
        ('W/"2"', None, True),
        (None, "Thu, 01 Jan 1970 00:01:40 GMT", False),
        (None, "Thu, 01 Jan 1970 00:01:41 GMT", False),
        (None, "Thu, 01 Jan 1970 00:01:39 GMT", True),
        (None, "no date", True),
        ('W/"2"', "Thu, 01 Jan 1970 00:01:41 GMT", True),
        ('W/"3"', "Thu, 01 Jan 1970 00:01:39 GMT", False),
    ],
)
def test_read(if_none_match: str | None, if_modified_since: str | None, needed: bool) -> None:
    updated = 100 * SECOND + 999_999
    found = decide_read(
        3, updated, if_none_match=if_none_match, if_modified_since=if_modified_since
    )
    assert found is needed


@pytest.mark.parametrize(
    ("decide", "arguments", "wanted"),
    [
        (decide_create, ([],), Create(1)),
        (decide_create, (["a"],), Existing("a")),
        (decide_create, (["a", "b"],), STALE),
        (decide_conditional_update, ([], None), Target(None)),
        (decide_conditional_update, ([], "x"), Target("x")),
        (decide_conditional_update, (["a"], None), Target("a")),
        (decide_conditional_update, (["a"], "a"), Target("a")),
        (decide_conditional_update, (["a"], "x"), Invalid),
        (decide_conditional_update, (["a", "b"], "a"), STALE),
        (decide_conditional_patch, ([],), NotFound),
        (decide_conditional_patch, (["a"],), Target("a")),
        (decide_conditional_patch, (["a", "b"],), STALE),
        (decide_conditional_delete, ([],), Nothing()),
        (decide_conditional_delete, (["a"],), Target("a")),
        (decide_conditional_delete, (["a", "b"],), STALE),
    ],
)
def test_conditional_interaction(decide: Any, arguments: tuple[Any, ...], wanted: Any) -> None:
    assert outcome(decide, *arguments) == wanted


def test_refusal_names_the_header() -> None:
    with pytest.raises(PreconditionFailed) as caught:
        decide_update(THREE, if_match='W/"2"')
    assert caught.value.status == 412
    assert caught.value.issues[0].location == "http.If-Match"


def test_refusal_in_a_bundle_names_the_element() -> None:
    with pytest.raises(PreconditionFailed) as caught:
        decide_update(THREE, if_match='W/"2"', where="Bundle.entry[4].request")
    assert caught.value.issues[0].expression == "Bundle.entry[4].request.ifMatch"


def test_several_matches_are_told_by_their_own_code() -> None:
    with pytest.raises(PreconditionFailed) as caught:
        decide_create(["a", "b"])
    assert caught.value.issues[0].code == "multiple-matches"
    assert caught.value.issues[0].location == "http.If-None-Exist"
