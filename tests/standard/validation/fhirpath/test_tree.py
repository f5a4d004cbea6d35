"""Outside source: FHIRPath N1, Operator Precedence, and the rules of R4, which are all read."""

from __future__ import annotations

import pytest

from service.standard.definitions import definitions
from service.standard.validation.fhirpath.tree import (
    THIS,
    Call,
    Literal,
    Member,
    NotReadableError,
    Operation,
    Variable,
    read,
)

A, B, C = Member(THIS, "a"), Member(THIS, "b"), Member(THIS, "c")


@pytest.mark.parametrize(
    ("expression", "tree"),
    [
        ("a.b", Member(A, "b")),
        ("a.`div`", Member(A, "div")),
        ("%resource.a", Member(Variable("resource"), "a")),
        ("$this = 'it\\'s'", Operation("=", THIS, Literal("it's"))),
        ("a or b and c", Operation("or", A, Operation("and", B, C))),
        ("a implies b or c", Operation("implies", A, Operation("or", B, C))),
        ("(a or b) and c", Operation("and", Operation("or", A, B), C)),
        ("a = b and c", Operation("and", Operation("=", A, B), C)),
        ("a > b = c", Operation("=", Operation(">", A, B), C)),
        ("a | b = c", Operation("=", Operation("|", A, B), C)),
        ("a in (b | c)", Operation("in", A, Operation("|", B, C))),
        ("a is b", Call(A, "is", (B,))),
        ("a.b(c)", Call(A, "b", (C,))),
        ("a.where(b = 1)", Call(A, "where", (Operation("=", B, Literal(1)),))),
        ("iif(a, b, {})", Call(THIS, "iif", (A, B, Literal(None)))),
        ("true", Literal(True)),
    ],
)  # fmt: skip
def test_operators_bind_as_fhirpath_says(expression: str, tree: object) -> None:
    assert read(expression) == tree


@pytest.mark.parametrize("expression", ["", "a.", "a b", "(a", "a(", "a ~ b", "a[0]", "'a", "a ="])
def test_what_is_not_read_is_refused(expression: str) -> None:
    with pytest.raises(NotReadableError):
        read(expression)


def test_every_rule_of_r4_is_read() -> None:
    for path in definitions().invariant_paths():
        for rule in definitions().invariants(path):
            read(rule.expression)
