"""New, the same, corrected or refused: decided from plain values, without a store."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.intake.deciding import Stored, decide
from service.intake.drafts import Draft, Reading, digest, drafted, keys
from service.intake.models import Clinic
from service.intake.places import Findings, Pointers
from service.standard.codec import Number, decode, encode

Json = dict[str, Any]

NOW = datetime(2026, 11, 25, tzinfo=UTC)


def _draft(*, adds_up: bool = False, **more: Any) -> Draft:
    clinic = Clinic.model_validate({"identifiers": "https://c.example/ids/", "timeZone": "Z"})
    note = {"session": "S", "client": "C", "start": "2026-11-02T09:00"} | more
    found = drafted(note, Reading(clinic, NOW, adds_up=adds_up), Findings(Pointers()))
    assert found is not None
    return found


def _stored(draft: Draft, **more: Any) -> Stored:
    facts: Json = {
        "id": "e",
        "vid": 1,
        "revision": draft.note.revision,
        "content": draft.digest,
        "client": "Patient/c",
        "note": decode(encode(draft.content)),
    }
    return Stored(**(facts | more))


@pytest.mark.parametrize(
    ("before", "after", "decision"),
    [
        ({}, {}, "unchanged"),
        ({"revision": 2}, {}, "refused"),
        ({}, {"revision": 2}, "corrected"),
        ({}, {"revision": 2, "note": "n"}, "corrected"),
        ({}, {"note": "n"}, "refused"),
        ({"start": "2026-11-02T10:00+01:00"}, {"start": "2026-11-02T09:00Z"}, "refused"),
    ],
)
def test_the_revision_decides(before: Json, after: Json, decision: str) -> None:
    draft = _draft(**after)
    found = decide(draft, _stored(_draft(**before)), "Patient/c")
    assert found == decision
    assert draft.findings.refused == (decision == "refused")


def test_a_session_of_another_client_or_origin_is_refused() -> None:
    stored = _stored(_draft())
    assert decide(_draft(revision=2), stored, "Patient/d") == "refused"
    foreign = _stored(_draft(), is_ours=False)
    assert decide(_draft(revision=2), foreign, "Patient/c") == "refused"
    assert decide(_draft(), None, "Patient/c") == "stored"


DELAY = {"measure": "swallow-delay", "value": Number("2.5")}
RATE = {"measure": "amr-rate", "value": Number("6")}


def test_rows_of_one_revision_add_up() -> None:
    stored = _stored(_draft(measures=[DELAY]))
    more = _draft(adds_up=True, measures=[RATE], note="n")
    assert decide(more, stored, "Patient/c") == "corrected"
    assert [one["measure"]["code"] for one in more.content["measures"]] == [
        "amr-rate",
        "swallow-delay",
    ]
    assert more.content["note"] == "n"
    less = _draft(adds_up=True)
    assert decide(less, stored, "Patient/c") == "unchanged"
    other = _draft(adds_up=True, measures=[DELAY | {"value": Number("2.50")}])
    assert decide(other, stored, "Patient/c") == "refused"
    assert [issue.location for issue in other.findings.issues] == ["/measures/0"]


@given(st.permutations([DELAY, RATE, DELAY | {"value": Number("3")}, RATE | {"when": "after"}]))
def test_the_order_of_items_says_nothing(items: list[Json]) -> None:
    first = [DELAY, RATE, DELAY | {"value": Number("3")}, RATE | {"when": "after"}]
    assert digest({"measures": items}) == digest({"measures": first})
    named = dict(zip(keys({"measures": items}, "measures"), map(repr, items), strict=True))
    assert named == dict(zip(keys({"measures": first}, "measures"), map(repr, first), strict=True))
    assert len(named) == 4


def test_digits_tell_contents_apart() -> None:
    a, b = ({"measures": [DELAY | {"value": Number(text)}]} for text in ("2.5", "2.50"))
    assert digest(a) != digest(b)
