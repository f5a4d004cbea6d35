"""$validate-code. Outside sources: OperationDefinitions of R4 and the example on the page of the
operation (a wrong display makes the coded value invalid, the right one is told).
"""

from __future__ import annotations

from typing import Any

import pytest

from service.errors import HyoidError
from service.standard.terminology.library import Library
from service.standard.terminology.members import Evaluation
from service.standard.terminology.membership import find_code
from service.standard.terminology.refusals import NotUnderstood
from service.standard.terminology.shipped import Shelf, shipped
from service.standard.terminology.validate_code import (
    Claim,
    Verdict,
    Wishes,
    answer,
    in_code_system,
    in_value_set,
)
from service.standard.validation import validate
from tests.standard.terminology.made import (
    SETS,
    SWALLOW,
    Resource,
    listed,
    rule,
    shelf,
    tree,
    value_set,
)


def verdict(
    code: str,
    *include: Resource,
    system: str | None = SWALLOW,
    display: str | None = None,
    version: str | None = None,
    wishes: Wishes | None = None,
    **more: Any,
) -> Verdict:
    library = shelf(value_set("x", *include, **more))
    found = library.value_set(f"{SETS}x")
    assert found is not None
    claim = Claim(system, code, display, version)
    return in_value_set(found, [claim], library, wishes or Wishes())


def test_a_code_is_in_or_not() -> None:
    part = rule("is-a", "oral")
    assert verdict("hold", part) == Verdict(True, None, "The hold")
    outside = verdict("pharyngeal", part)
    assert not outside.holds
    assert outside.display == "The pharyngeal"
    unknown = verdict("cough", part)
    assert not unknown.holds
    assert "no such code" in str(unknown.message)


def test_a_code_without_system_is_no_coded_value() -> None:
    assert not verdict("hold", {"system": SWALLOW}, system=None).holds
    assert not verdict("hold", {"system": SWALLOW}, system="urn:other").holds


def test_a_wrong_display_is_told_with_the_right_one() -> None:
    """Source: page of ValueSet/$validate-code, example: result false, message, display."""
    found = verdict("hold", {"system": SWALLOW}, display="test")
    assert found.holds is False
    assert found.display == "The hold"
    assert "test" in str(found.message)
    assert verdict("hold", {"system": SWALLOW}, display="the HOLD").holds


def test_the_words_of_the_value_set_and_designations_are_displays_too() -> None:
    raw = tree()
    raw["concept"][0]["concept"][1]["designation"] = [{"language": "de", "value": "Rachen"}]
    named = {"system": SWALLOW, "concept": [{"code": "pharyngeal", "display": "Throat"}]}
    library = Shelf([raw, value_set("x", named)])
    found = library.value_set(f"{SETS}x")
    assert found is not None
    for display in ("Throat", "Rachen", "The pharyngeal"):
        claim = Claim(SWALLOW, "pharyngeal", display)
        assert in_value_set(found, [claim], library, Wishes()).holds, display


def test_grouping_codes_need_a_word_that_they_may_be_used() -> None:
    """Source: parameter `abstract`."""
    assert not verdict("oral", {"system": SWALLOW}).holds
    assert verdict("oral", {"system": SWALLOW}, wishes=Wishes(abstract=True)).holds


def test_codes_out_of_use_hold_with_a_hint() -> None:
    found = verdict("yawn", {"system": SWALLOW})
    assert found.holds
    assert "inactive" in str(found.message)
    assert not verdict("yawn", {"system": SWALLOW}, inactive=False).holds


def test_versions_that_are_not_held_do_not_hold() -> None:
    assert verdict("hold", {"system": SWALLOW}, version="1").holds
    assert not verdict("hold", {"system": SWALLOW}, version="7").holds


def test_what_nobody_can_tell_is_not_answered_with_no() -> None:
    snomed = {
        "system": "http://snomed.info/sct",
        "filter": [{"property": "concept", "op": "is-a", "value": "1"}],
    }
    with pytest.raises(NotUnderstood):
        verdict("40739000", snomed, system="http://snomed.info/sct")
    assert verdict("hold", snomed, {"system": SWALLOW}).holds
    assert not verdict("cough", snomed, {"system": SWALLOW}).holds


def test_one_good_coding_is_enough() -> None:
    """Source: "The server returns true if one of the coding values is in the value set"."""
    library = shelf(value_set("x", {"system": SWALLOW}))
    found = library.value_set(f"{SETS}x")
    assert found is not None
    claims = [Claim("urn:local", "1"), Claim(SWALLOW, "hold")]
    assert in_value_set(found, claims, library, Wishes()).holds
    assert not in_value_set(found, claims[:1], library, Wishes()).holds
    assert not in_value_set(found, [], library, Wishes()).holds


def test_in_a_code_system() -> None:
    system = shelf().code_system(SWALLOW)
    assert system is not None
    assert in_code_system(system, [Claim(None, "hold")], Wishes()).holds
    assert not in_code_system(system, [Claim(None, "cough")], Wishes()).holds
    assert not in_code_system(system, [Claim("urn:other", "hold")], Wishes()).holds
    assert not in_code_system(system, [Claim(None, "hold", version="2")], Wishes()).holds


def test_a_fragment_cannot_say_no() -> None:
    system = Shelf([tree(content="fragment")]).code_system(SWALLOW)
    assert system is not None
    assert in_code_system(system, [Claim(None, "hold")], Wishes()).holds
    with pytest.raises(NotUnderstood):
        in_code_system(system, [Claim(None, "cough")], Wishes())


def test_the_answer_is_valid_parameters() -> None:
    for found in (Verdict(True, None, "x"), Verdict(False, "no", None)):
        assert [i for i in validate(answer(found)) if i.severity == "error"] == []


def test_looking_for_one_code_agrees_with_listing_all() -> None:
    """Two ways to the same answer, over every value set that is shipped."""
    library: Library = shipped()
    compared = 0
    for raw in shipped().resources("ValueSet"):
        value_set_ = library.value_set(raw["url"])
        assert value_set_ is not None
        try:
            inside = {member.key for member in Evaluation(library).members(value_set_)}
        except HyoidError:
            continue
        systems = {system for system, _ in inside}
        for system in systems:
            held = library.code_system(system)
            for code in held.concepts if held else ():
                found = find_code(value_set_, system, code, library)
                assert (found is not None) is ((system, code) in inside), (raw["url"], code)
                compared += 1
    assert compared > 3000


def test_excluded_codes_are_out() -> None:
    assert not verdict("hold", {"system": SWALLOW}, exclude=[listed("hold")]).holds
    assert not verdict("hold", {"system": SWALLOW}, exclude=[rule("is-a", "oral")]).holds
