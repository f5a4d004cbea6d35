"""Outside source: FHIRPath N1, worked by hand: Boolean logic (its truth tables), Collections,
Functions. That whole rules agree with another engine is in test_invariants.py."""

from __future__ import annotations

from typing import Any

import pytest

from service.standard.validation.fhirpath.budget import Budget
from service.standard.validation.fhirpath.compiler import Scope, compile_test
from service.standard.validation.fhirpath.counting import CountedCompiler
from service.standard.validation.fhirpath.tree import LONGEST, NotReadableError, read

PERSON: dict[str, Any] = {
    "resourceType": "Patient",
    "active": False,
    "deceasedBoolean": True,
    "_birthDate": {"extension": [{"url": "http://example.org", "valueCode": "unknown"}]},
    "name": [{"given": ["a", "b"], "family": "c"}, {"given": ["a"], "text": "Dr. d"}],
    "multipleBirthInteger": 2,
    "contained": [{"resourceType": "Group", "id": "g"}, {"resourceType": "Patient", "id": "p"}],
}


def holds(expression: str) -> bool | None:
    """What the expression comes to, which is the same where it is counted."""
    found = compile_test(expression, "Patient")(PERSON, Scope(PERSON, PERSON, {}))
    counted = CountedCompiler("Patient").truth(read(expression), frozenset({"Patient"}))
    assert counted(PERSON, Scope(PERSON, PERSON, {}, Budget(200, 500))) is found
    return found


@pytest.mark.parametrize(
    ("expression", "truth"),
    [
        ("active.exists()", True),
        ("gender.exists()", False),
        ("deceased.exists() and multipleBirth = 2", True),
        ("deceasedBoolean", True),
        ("birthDate.exists()", True),
        ("birthDate.hasValue()", False),
        ("birthDate.extension.url = 'http://example.org'", True),
        ("Patient.active.not()", True),
        ("name.count() = 2", True),
        ("name.given.count() = 3", True),
        ("name.given.isDistinct()", False),
        ("(name.family | name.text).count() = 2", True),
        ("(name.given | name.given).count() = 2", True),
        ("name.where(family = 'c').given.count() = 2", True),
        ("name.exists(text.exists())", True),
        ("name.all(given.exists())", True),
        ("name.all(family.exists())", False),
        ("name.select(given).count() = 3", True),
        ("name.first().family = 'c'", True),
        ("name.tail().text.startsWith('Dr')", True),
        ("name.text.contains('. ')", True),
        ("name.text.matches('^Dr')", True),
        ("name.text.matches('^d')", False),
        ("name.family.replaceMatches('c', 'x') = 'x'", True),
        ("name.family & name.text = 'cDr. d'", True),
        ("name.family & gender = 'c'", True),
        ("(name.family + gender).empty()", True),
        ("name.given.combine(name.given).count() = 6", True),
        ("name.first().given.intersect(name.tail().given).count() = 1", True),
        ("'a' in name.given", True),
        ("name.given in ('a' | 'b')", True),
        ("name.given in ('a')", False),
        ("contained.first().is(Group)", True),
        ("contained.first() is Patient", False),
        ("deceased is Boolean", True),
        ("multipleBirth is Boolean", False),
        ("iif(active, 1, 2) = 2", True),
        ("multipleBirth.toString() = '2'", True),
        ("multipleBirth >= 2 and multipleBirth < 3", True),
        ("descendants().given.count() = 3", True),
        ("children().family = 'c'", True),
        ("%resource.id.empty()", True),
        ("%resource.name.family = name.family", True),
        ("deceased != active", True),
        ("true xor active", True),
        ("gender", None),
        ("gender.not()", None),
        ("gender = 'male'", None),
        ("gender < 'z'", None),
        ("name.given.first().matches('a') and gender", None),
    ],
)  # fmt: skip
def test_expressions_are_as_true_as_fhirpath_says(expression: str, truth: bool | None) -> None:
    assert holds(expression) is truth


TRUTHS = {"true": True, "false": False, "gender": None}
TABLES: dict[str, list[bool | None]] = {
    "and": [True, False, None, False, False, False, None, False, None],
    "or": [True, True, True, True, False, None, True, None, None],
    "xor": [False, True, None, True, False, None, None, None, None],
    "implies": [True, False, None, True, True, True, True, None, None],
}


@pytest.mark.parametrize("sign", TABLES)
def test_logic_follows_the_truth_tables(sign: str) -> None:
    found = [holds(f"{left} {sign} {right}") for left in TRUTHS for right in TRUTHS]
    assert found == TABLES[sign]


@pytest.mark.parametrize(
    "expression",
    [
        "resolve()",
        "%unknown",
        "a.as(b)",
        "name.matches(a)",
        "name.matches('(')",
        "name.replaceMatches('x', '\\\\9')",
        "name.where()",
        "iif(true)",
        "name.all(a, b)",
        "name.first(1)",
        " " * LONGEST + "active",
    ],
)
def test_what_is_not_known_is_refused_when_compiled(expression: str) -> None:
    with pytest.raises(NotReadableError):
        compile_test(expression, "Patient")


def test_junk_in_the_data_does_not_break_a_test() -> None:
    for junk in (None, [], {}, 5, "a", [[1]], [None], {"given": {"a": 1}}):
        for expression in ("name.given.exists()", "name.all(given = 'a')", "name.given > 1"):
            made = {"resourceType": "Patient", "name": junk}
            compile_test(expression, "Patient")(made, Scope(made, made, {}))
