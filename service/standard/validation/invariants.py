"""Which rules hold at an element, and how is each tested?

The rules are the official invariants (key, severity, FHIRPath). Their expressions are compiled
(`fhirpath`); a few that need more than a path are functions of their own, bound to their key in
one table, and some are tested elsewhere or not at all, for a reason given in another.
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from service.errors import Severity
from service.standard.definitions import Invariant, definitions
from service.standard.validation.contained import has_narrative, is_all_referred_to
from service.standard.validation.fhirpath.compiler import Scope, compile_test

Test = Callable[[Any, Scope], bool | None]

NATIVE: dict[str, Test] = {
    "dom-3": is_all_referred_to,  # needs the types of all descendants, which JSON does not tell
    "dom-6": has_narrative,  # "contained resources do not have narrative" (R4, References)
}
"""Rules that are functions of their own."""

ELSEWHERE: dict[str, str] = {
    "ele-1": "the walk refuses empty elements",
    "ref-1": "references.py finds the contained resource, and looks at its type",
    "txt-1": "narrative.py reads the XHTML",
    "txt-2": "narrative.py reads the XHTML",
    "ctm-1": "needs the resource referred to; where that is out of reach the rule holds",
}
"""Rules that are tested in another way, or need not be."""


EMPTY_HOLDS: dict[str, str] = {
    "bdl-8": "an entry without fullUrl has no version-specific one",
    **dict.fromkeys(
        ("adf-0", "cmd-0", "csd-0", "pdf-0", "que-0", "sdf-0", "vsd-0"),
        "a name that is not there need not be usable",
    ),
}
"""Rules that say nothing where their expression is empty; all others are broken then, as the
validators of the standard read them (que-13: no `repeats` is not `repeats = true`)."""


@dataclass(frozen=True, slots=True)
class Rule:
    """`test` answers True where the rule holds."""

    key: str
    severity: Severity
    human: str
    test: Test


@functools.cache
def rules_at(path: str) -> tuple[Rule, ...]:
    """The rules stated at a type, or at an element of one."""
    return tuple(
        _rule(invariant, path)
        for invariant in definitions().invariants(path)
        if invariant.key not in ELSEWHERE
    )


def _rule(invariant: Invariant, path: str) -> Rule:
    test = NATIVE.get(invariant.key) or compile_test(invariant.expression, path)
    if invariant.key in EMPTY_HOLDS:
        test = _lenient(test)
    return Rule(invariant.key, invariant.severity, invariant.human, test)


def _lenient(test: Test) -> Test:
    return lambda value, scope: test(value, scope) is not False
