"""How do `_text` and `_content` become SQL?

One arm finds all of it by the full text index (`service.store.full_text`). A single resource is
asked by its own words: FTS5 would have to begin its search anew for each.
"""

from __future__ import annotations

from collections.abc import Iterator

from service.errors import TooCostly
from service.standard.extraction.full_text import NARRATIVE, OTHER, mark
from service.standard.searching.query import HasWords
from service.standard.searching.query import Term as Asked
from service.store.full_text import Term, match_of, pattern_of
from service.store.searching.compiled import Arm, Compiled, Scope
from service.store.searching.seeks import RID, UNORDERED
from service.store.sql import Sql, all_of, any_of

MOST = 2_000
"""Terms, each counted once for each type and place where it may stand."""

_Parts = list[tuple[Term, ...]]


def compile_words(criterion: HasWords, scope: Scope) -> Compiled:
    """The words stand in the narrative, or anywhere in the resource."""
    alternatives = [
        [_where(term, type_, criterion.everywhere) for term in terms]
        for type_ in scope.types
        for terms in criterion.alternatives
    ]
    if sum(len(part) for parts in alternatives for part in parts) > MOST:
        raise TooCostly("Too many words are asked for in too many types; name types by _type")
    match = match_of(scope.dialect, alternatives)
    if scope.dialect == "postgresql":
        return Compiled(
            lambda rid: _by_vector(scope, match, rid),
            (Arm(Sql("index_text d"), Sql("d.words @@ CAST(? AS tsquery)", (match,)), UNORDERED),),
        )
    source = "(SELECT rowid AS rid FROM index_text_match WHERE index_text_match MATCH ?) AS d"
    return Compiled(
        lambda rid: _by_pattern(scope, alternatives, rid),
        (Arm(Sql(source, (match,)), Sql("TRUE"), RID),),
    )


def _where(term: Asked, type_: str, everywhere: bool) -> tuple[Term, ...]:
    """A term in each place where it may stand."""
    places = (NARRATIVE, OTHER) if everywhere else (NARRATIVE,)
    marks = (mark(type_, place) for place in places)
    return tuple((tuple(own + word for word in term.words), term.begins) for own in marks)


def _by_vector(scope: Scope, match: str, rid: str) -> Sql:
    own = scope.alias()
    text = f"FROM index_text {own} WHERE {own}.rid = {rid} AND {own}.words @@ CAST(? AS tsquery)"
    return Sql(scope.exists(text), (match,))


def _by_pattern(scope: Scope, alternatives: list[_Parts], rid: str) -> Sql:
    own = scope.alias()
    met = any_of(all_of(_held(own, parts)) for parts in alternatives)
    text = f"FROM index_text {own} WHERE {own}.rid = {rid} AND {met.text}"
    return Sql(scope.exists(text), met.params)


def _held(own: str, parts: _Parts) -> Iterator[Sql]:
    for part in parts:
        yield any_of(
            Sql(f"instr(' ' || {own}.words || ' ', ?) > 0", (pattern_of(term),)) for term in part
        )
