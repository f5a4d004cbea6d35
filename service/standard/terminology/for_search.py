"""Which codes do `:in`, `:not-in`, `:above` and `:below` of a token search stand for?

R4: http://hl7.org/fhir/R4/search.html#modifiers and #token. Answered from what is shipped unless
another library is handed in.
"""

from __future__ import annotations

import functools
import re
from typing import Any, Protocol

from service.errors import NotFound, TooCostly
from service.standard.terminology.code_systems import CodeSystem
from service.standard.terminology.library import Library, split
from service.standard.terminology.lookup import known
from service.standard.terminology.members import Evaluation
from service.standard.terminology.refusals import NotUnderstood, not_held, system_not_held
from service.standard.terminology.shipped import shipped
from service.standard.terminology.value_sets import ValueSet

MOST_QUESTIONS = 50
"""Value sets and codes that one search may name."""
MOST_LOOKED_AT = 20_000
"""Codes gone through for one value set, those of what it includes and excludes too."""

_LITERAL = re.compile(r"ValueSet/([A-Za-z0-9\-.]{1,64})")

Code = tuple[str, str]
"""(system, code)"""


class SearchLibrary(Library, Protocol):
    """A library that also knows its resources by id."""

    def instance(self, kind: str, resource_id: str) -> Any:
        """What the resource with this id defines. Raises NotFound."""
        ...


class Expander:
    """Answers for one search; what it asks twice, as a chain to many types does, is worked out
    once. All raise NotFound, NotUnderstood, Invalid or TooCostly."""

    def __init__(self, library: SearchLibrary | None = None) -> None:
        self._given = library
        self._known: dict[tuple[str, ...], list[Code]] = {}

    def members(self, reference: str, base: str = "") -> list[Code]:
        """Every code of a value set: `ValueSet/id`, the same below our `base`, `url` or
        `url|version`. The literal address is tried before the canonical one."""
        return self._answer(("in", reference, base))

    def below(self, system: str, code: str) -> list[Code]:
        """The code and everything that it subsumes."""
        return self._answer(("below", system, code))

    def above(self, system: str, code: str) -> list[Code]:
        """The code and everything that subsumes it."""
        return self._answer(("above", system, code))

    def _answer(self, question: tuple[str, str, str]) -> list[Code]:
        found = self._known.get(question)
        if found is None:
            if len(self._known) >= MOST_QUESTIONS:
                raise TooCostly(f"More than {MOST_QUESTIONS} value sets or codes to work out")
            found = self._known[question] = self._work_out(*question)
        return found

    def _work_out(self, how: str, first: str, second: str) -> list[Code]:
        if how == "in":
            evaluation = Evaluation(self._library, most=MOST_LOOKED_AT)
            return [member.key for member in evaluation.members(self._value_set(first, second))]
        system, code = self._place(first, second)
        others = system.below(code) if how == "below" else system.above(code)
        return [(system.url, each) for each in (code, *others)]

    @functools.cached_property
    def _library(self) -> SearchLibrary:
        return self._given or shipped()

    def _value_set(self, reference: str, base: str) -> ValueSet:
        literal = _LITERAL.fullmatch(reference.removeprefix(base))
        if literal is not None:
            try:
                named: ValueSet = self._library.instance("ValueSet", literal[1])
                return named
            except NotFound:
                if reference.startswith("ValueSet/"):
                    raise
        found = self._library.value_set(*split(reference))
        if found is None:
            raise not_held("value set", reference)
        return found

    def _place(self, system: str, code: str) -> tuple[CodeSystem, str]:
        held = self._library.code_system(system)
        if held is None:
            raise system_not_held(system)
        if not held.subsumes:
            raise NotUnderstood(f"{system} does not say what is a kind of what")
        return held, known(held, code).code
