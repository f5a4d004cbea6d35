"""Are the words of a resource kept and found alike by both engines?"""

from __future__ import annotations

import pytest

from service.caller import ANONYMOUS
from service.standard.extraction.full_text import GAP
from service.standard.search_query import parse_search
from service.store.full_text import match_of, pattern_of, vector
from service.store.searching import find
from service.store.store import Store

BASE = "http://clinic.example/fhir"


def test_a_vector_counts_places_and_leaves_gaps() -> None:
    assert vector(["1na", "1nb", GAP, "1na"]) == "'1na':1,4 '1nb':2"


def test_matches_are_written_in_the_language_of_the_engine() -> None:
    either = [[[(("1na", "1nb"), True), (("1ca", "1cb"), True)], [(("1nx",), False)]]]
    assert match_of("sqlite", either) == '(("1na 1nb" * OR "1ca 1cb" *) AND ("1nx"))'
    assert match_of("postgresql", either) == ("(('1na' <-> '1nb':* | '1ca' <-> '1cb':*) & ('1nx'))")
    assert pattern_of((("1na", "1nb"), False)) == " 1na 1nb "
    assert pattern_of((("1na",), True)) == " 1na"


@pytest.mark.parametrize(
    ("asked", "expected"),
    [
        ("言語", True),
        ("言語療*", True),
        ("ω", True),
        ("Ω", True),
        ("naïve", True),
        ("łoś", True),
        ("los", False),
        ("𝕬bc", True),
        ("abc", True),
        ('"abc 12"', True),
        ('"12 abc"', False),
        ("9" * 70, True),
        ("9" * 63, False),
        (f"{'9' * 63}*", True),
        ("word15000", True),
        ("word15999", False),
        ('"same word0"', False),
    ],
)
def test_odd_words_are_found_by_both(store: Store, asked: str, expected: bool) -> None:
    note = f"言語療法 言語 Ω naive Łoś 𝕬BC 12 {'9' * 80} {'same ' * 300}"
    note += " ".join(f"word{number}" for number in range(15_800))
    goal = {
        "resourceType": "Goal",
        "lifecycleStatus": "active",
        "description": {"text": "speak"},
        "subject": {"reference": "Patient/a"},
        "note": [{"text": note}],
    }
    with store.write(ANONYMOUS) as unit:
        unit.append(goal, "odd", BASE, method="PUT", current=None)
    query = parse_search("Goal", [("_content", asked)], strict=True)
    with store.reader() as connection:
        assert bool(find(connection, ANONYMOUS, query)) is expected


def test_what_a_unit_has_written_is_found_within_it(store: Store) -> None:
    """As a conditional create asks."""
    goal = {"resourceType": "Goal", "description": {"text": "Louder"}}
    query = parse_search("Goal", [("_content", "louder")], strict=True)

    def write() -> None:
        with store.write(ANONYMOUS) as unit:
            unit.append(goal, "loud", BASE, method="PUT", current=None)
            assert [stored.id for stored in find(unit.reader(), ANONYMOUS, query)] == ["loud"]
            raise RuntimeError("and then it went wrong")

    with pytest.raises(RuntimeError, match="went wrong"):
        write()
    with store.reader() as connection:
        assert find(connection, ANONYMOUS, query) == []
