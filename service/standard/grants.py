"""What do a caller's scopes allow for this type? Their union, told for each letter.

SMART App Launch 2.2: scopes add up. `patient/` scopes are about one client: they count where the
caller is narrowed to exactly one. What is no scope on resources allows nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache

from service.caller import Caller
from service.errors import Forbidden
from service.standard.registry import RESOURCE_TYPES
from service.standard.scopes import EVERY, LETTERS, Scope, criteria_of, read_scope
from service.standard.searching.query import Criterion

Restriction = tuple[Criterion, ...]
"""Criteria that a resource must all meet."""

WHOLE: tuple[Restriction, ...] = ()
"""Every resource of the type."""

LISTED = "rs"
"""What an operation finds by itself and shows as a record needs both: `r` alone is for who knows
the id. Of what a caller finds by searching, `s` is enough, as SMART has it."""


@dataclass(frozen=True, slots=True, eq=False)
class Grants:
    """By letter and type: what of it is allowed, as alternatives; WHOLE for all of it."""

    letters: Mapping[str, Mapping[str, tuple[Restriction, ...]]]
    unlimited: frozenset[str]
    """Letters that are allowed for every type as a whole."""

    def of(self, letter: str, kind: str) -> tuple[Restriction, ...] | None:
        """The alternatives for a type; None where the letter is not allowed for it at all."""
        return self.letters[letter].get(kind)

    def wholly(self, letters: str, kinds: Iterable[str]) -> bool:
        """Whether all of the letters are allowed for all resources of these types."""
        return self.unlimited.issuperset(letters) or all(
            self.of(letter, kind) == WHOLE for kind in kinds for letter in letters
        )

    def lacks(self, letters: str, kind: str) -> bool:
        """Whether one of the letters is not allowed for the type at all."""
        return any(self.of(letter, kind) is None for letter in letters)


def grants_of(caller: Caller) -> Grants:
    """What the caller's scopes allow."""
    one_client = caller.tied is None and caller.clients is not None and len(caller.clients) == 1
    return _grants(caller.scopes, one_client)


@lru_cache(maxsize=1024)
def _grants(texts: frozenset[str], one_client: bool) -> Grants:
    scopes = [scope for scope in map(read_scope, sorted(texts)) if scope is not None]
    counted = [scope for scope in scopes if scope.level != "patient" or one_client]
    letters = {letter: dict(_of_letter(letter, counted)) for letter in LETTERS}
    unlimited = frozenset(
        letter
        for letter, kinds in letters.items()
        if all(kinds.get(kind) == WHOLE for kind in RESOURCE_TYPES)
    )
    return Grants(letters, unlimited)


def _of_letter(
    letter: str, scopes: Iterable[Scope]
) -> Iterable[tuple[str, tuple[Restriction, ...]]]:
    having = [scope for scope in scopes if letter in scope.letters]
    for kind in RESOURCE_TYPES:
        own = [scope for scope in having if scope.type in (EVERY, kind)]
        if any(not scope.restriction for scope in own):
            yield kind, WHOLE
        elif own:
            pairs = dict.fromkeys(scope.restriction for scope in own)
            yield kind, tuple(criteria_of(kind, each) for each in pairs)


def require(caller: Caller, letters: str, kind: str | None) -> None:
    """Raise Forbidden where no scope has one of the letters for the type (None: for any type at
    all)."""
    for letter in letters:
        allowed = grants_of(caller).letters[letter]
        if kind not in allowed and (kind is not None or not allowed):
            needed = f", and {letters!r} is needed" if len(letters) > 1 else ""
            raise insufficient(
                f"No scope of this caller has {letter!r} for {kind or 'any type'}{needed}"
            )


def insufficient(
    text: str, *, expression: str | None = None, location: str | None = None
) -> Forbidden:
    """The refusal where scopes do not reach (RFC 6750, section 3.1)."""
    told = {"WWW-Authenticate": 'Bearer error="insufficient_scope"'}
    return Forbidden(text, expression=expression, location=location, headers=told)
