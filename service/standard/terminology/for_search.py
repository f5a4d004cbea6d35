"""Which codes do `:in`, `:not-in`, `:above` and `:below` of a token search stand for?

R4: search.html, modifiers of token. Answered from what is shipped unless another library is
handed in.
"""

from __future__ import annotations

from service.standard.terminology.code_systems import CodeSystem
from service.standard.terminology.library import Library, split
from service.standard.terminology.lookup import known
from service.standard.terminology.members import Evaluation
from service.standard.terminology.refusals import NotUnderstood, not_held, system_not_held
from service.standard.terminology.shipped import shipped


def codes_of(value_set_url: str, library: Library | None = None) -> list[tuple[str, str]]:
    """(system, code) of every member of a value set, `url` or `url|version`.

    Raises NotFound where it is not held, NotUnderstood where it cannot be expanded, TooCostly.
    """
    held: Library = library or shipped()
    value_set = held.value_set(*split(value_set_url))
    if value_set is None:
        raise not_held("value set", value_set_url)
    return [member.key for member in Evaluation(held).members(value_set)]


def descendants(system: str, code: str, library: Library | None = None) -> list[str]:
    """The code and everything below it (`:below`). Raises NotFound, NotUnderstood."""
    held, found = _hierarchy(system, code, library)
    return [found, *held.below(found)]


def ancestors(system: str, code: str, library: Library | None = None) -> list[str]:
    """The code and everything above it (`:above`). Raises NotFound, NotUnderstood."""
    held, found = _hierarchy(system, code, library)
    return [found, *held.above(found)]


def _hierarchy(system: str, code: str, library: Library | None) -> tuple[CodeSystem, str]:
    held = (library or shipped()).code_system(*split(system))
    if held is None:
        raise system_not_held(system)
    if not held.subsumes:
        raise NotUnderstood(f"{system} does not say what is a kind of what")
    return held, known(held, code).code
