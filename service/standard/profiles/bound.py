"""Is a coded value in the value set that a profile binds it to?

R4: terminologies.html#strength. `required`: one of the codings has to be in the value set.
`extensible`: it should be, where a code is given at all. `preferred` and `example` ask nothing.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from service.errors import NotFound
from service.standard.terminology.library import Library, split
from service.standard.terminology.members import Evaluation
from service.standard.terminology.membership import find_code
from service.standard.terminology.refusals import NotUnderstood, not_held
from service.standard.terminology.value_sets import ValueSet


class UntoldError(Exception):
    """Nobody can tell here; the text says why."""


def is_bound(value: Any, value_set_url: str, library: Library) -> bool:
    """Whether a code, Coding, CodeableConcept or Quantity is in the value set.

    Raises UntoldError.
    """
    try:
        value_set = library.value_set(*split(value_set_url))
        if value_set is None:
            raise not_held("value set", value_set_url)
    except (NotFound, NotUnderstood) as reason:
        raise UntoldError(str(reason)) from None
    doubt = ""
    for pair in codes_in(value):
        try:
            if _is_member(pair, value_set, library):
                return True
        except (NotFound, NotUnderstood) as reason:
            doubt = str(reason)
    if doubt:
        raise UntoldError(doubt)
    return False


def has_code(value: Any) -> bool:
    """Whether there is any code at all, not only text."""
    return next(codes_in(value), None) is not None


def codes_in(value: Any) -> Iterator[tuple[str | None, str]]:
    """(system, code) of every coding in a value; a bare code has no system."""
    if isinstance(value, str):
        yield None, value
    elif isinstance(value, dict) and isinstance(value.get("coding"), list):
        for coding in value["coding"]:
            yield from codes_in(coding)
    elif isinstance(value, dict) and isinstance(value.get("code"), str):
        yield value.get("system") or "", value["code"]


def _is_member(pair: tuple[str | None, str], value_set: ValueSet, library: Library) -> bool:
    system, code = pair
    if system is None:
        return any(member.code == code for member in Evaluation(library).members(value_set))
    return find_code(value_set, system, code, library) is not None
