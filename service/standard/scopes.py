"""What does a scope allow? `system/Observation.rs?category=…` read, and one set cut by another.

SMART App Launch 2.2, scopes and launch context: `(patient|user|system)/(Type|*).[cruds]`, any of
the letters in that order, perhaps restricted by search parameters that all must be met. Scopes of
version 1 (`.read`, `.write`, `.*`) are read as what they became. Chains, `_has` and `_list` in a
restriction are experimental there, and refused here; so are `_text` and `_content`.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations
from typing import Literal
from urllib.parse import parse_qsl, quote

from service.errors import HyoidError
from service.standard.registry import RESOURCE_TYPES
from service.standard.search_query import parse_search
from service.standard.searching.query import Chain, Criterion, Has, HasWords, OnList, Shape

Level = Literal["patient", "user", "system"]

LETTERS = "cruds"
EVERY = "*"

_SCOPE = re.compile(
    r"(?P<level>patient|user|system)/(?P<type>[A-Z][A-Za-z]{1,63}|\*)"
    r"\.(?P<letters>c?r?u?d?s?|read|write|\*)(?:\?(?P<query>\S+))?"
)
_FIRST_VERSION = {"read": "rs", "write": "cud", "*": "cruds"}
_LONGEST = 1000


@dataclass(frozen=True, slots=True)
class Scope:
    """A scope as read: `type` is a resource type or `*`, `letters` are some of `cruds`.

    `restriction` holds search parameters, all of which a resource must meet; empty: none.
    """

    level: Level
    type: str
    letters: str
    restriction: tuple[tuple[str, str], ...] = ()

    def __str__(self) -> str:
        told = f"{self.level}/{self.type}.{self.letters}"
        if not self.restriction:
            return told
        pairs = (f"{name}={quote(value, safe=_SAFE)}" for name, value in self.restriction)
        return f"{told}?{'&'.join(pairs)}"


_SAFE = ":/|,$-._~"


@lru_cache(maxsize=4096)
def parse_scope(text: str) -> Scope:
    """Read one scope. Raises ValueError for what is no scope on resources, or one not offered."""
    found = _SCOPE.fullmatch(text) if len(text) <= _LONGEST else None
    if found is None or not found["letters"]:
        raise ValueError(f"{text[:80]!r} is not a scope of the form system/Observation.rs")
    kind, letters, query = found["type"], found["letters"], found["query"]
    if kind != EVERY and kind not in RESOURCE_TYPES:
        raise ValueError(f"This service holds no resources of type {kind!r}")
    if letters in _FIRST_VERSION and query is not None:
        raise ValueError("A scope of version 1 has no restriction")
    pairs = () if query is None else tuple(_pairs(query))
    letters = _FIRST_VERSION.get(letters, letters)
    for each in RESOURCE_TYPES if kind == EVERY and pairs else (kind,):
        if pairs:
            criteria_of(each, pairs)
    level: Level = found["level"]  # type: ignore[assignment]
    return Scope(level, kind, letters, pairs)


def read_scope(text: str) -> Scope | None:
    """The same; None for what is no scope on resources, or one not offered."""
    try:
        return parse_scope(text)
    except ValueError:
        return None


@lru_cache(maxsize=4096)
def criteria_of(kind: str, pairs: tuple[tuple[str, str], ...]) -> tuple[Criterion, ...]:
    """What a restriction asks of a resource of this type. Raises ValueError."""
    try:
        query = parse_search(kind, pairs, strict=True)
    except HyoidError as error:
        raise ValueError(f"The restriction cannot be used: {error}") from error
    odd = any(isinstance(each, Chain | Has | HasWords | OnList) for each in query.criteria)
    if odd or query.shape != Shape() or len(query.criteria) != len(pairs):
        raise ValueError("A restriction has plain search parameters of the type only")
    return query.criteria


def narrowed(requested: Iterable[str], allowed: Iterable[str]) -> frozenset[str]:
    """What is both requested and allowed: the part that each pair of scopes has in common.

    Texts that are no scopes on resources (`openid`) stay where both sides have them. A part that
    another part contains is left out.
    """
    asked, limits = set(requested), set(allowed)
    others = {text for text in asked & limits if read_scope(text) is None}
    limiting = [scope for scope in map(read_scope, sorted(limits)) if scope is not None]
    common = {
        part
        for scope in map(read_scope, sorted(asked))
        if scope is not None
        for limit in limiting
        if (part := _common(scope, limit)) is not None
    }
    return frozenset({str(part) for part in _outermost(common)} | others)


def supported() -> list[str]:
    """Scopes to be told in `scopes_supported`: of each level the wildcard, and all of each type.

    Any subset of the letters, and restrictions, are taken besides.
    """
    return [
        f"{level}/{kind}.{letters}"
        for level in ("system", "user", "patient")
        for kind in (EVERY, *RESOURCE_TYPES)
        for letters in ("cruds", "rs")
    ]


def _pairs(query: str) -> list[tuple[str, str]]:
    try:
        return parse_qsl(query, keep_blank_values=True, strict_parsing=True, errors="strict")
    except ValueError:
        raise ValueError("The restriction of the scope cannot be read") from None


def _common(one: Scope, other: Scope) -> Scope | None:
    if one.level != other.level or (EVERY not in (one.type, other.type) and one.type != other.type):
        return None
    letters = "".join(letter for letter in one.letters if letter in other.letters)
    kind = other.type if one.type == EVERY else one.type
    restriction = tuple(dict.fromkeys((*other.restriction, *one.restriction)))
    return Scope(one.level, kind, letters, restriction) if letters else None


def _outermost(parts: set[Scope]) -> Iterator[Scope]:
    """Those that no other contains: of the same level, for the type or all, with its letters and
    no restriction that it does not have. Each is compared with few, or thousands take seconds."""
    beside: dict[tuple[Level, str], dict[frozenset[tuple[str, str]], list[Scope]]] = {}
    for part in parts:
        by_restriction = beside.setdefault((part.level, part.type), {})
        by_restriction.setdefault(frozenset(part.restriction), []).append(part)
    for part in parts:
        places = [beside.get((part.level, kind), {}) for kind in dict.fromkeys((EVERY, part.type))]
        if not any(_contains(place, part) for place in places):
            yield part


def _contains(place: dict[frozenset[tuple[str, str]], list[Scope]], part: Scope) -> bool:
    own = frozenset(part.restriction)
    if 1 << len(own) < len(place):
        sizes = range(len(own) + 1)
        less = (frozenset(some) for size in sizes for some in combinations(own, size))
        wider = [place[some] for some in less if some in place]
    else:
        wider = [scopes for restriction, scopes in place.items() if restriction <= own]
    return any(_is_more(whole, part) for scopes in wider for whole in scopes if whole is not part)


def _is_more(whole: Scope, part: Scope) -> bool:
    """Of two that say the same in another order, one is more, or both would be left out."""
    same = part.letters == whole.letters and len(part.restriction) == len(whole.restriction)
    if same and part.type == whole.type:
        return whole.restriction < part.restriction
    return set(part.letters) <= set(whole.letters)
