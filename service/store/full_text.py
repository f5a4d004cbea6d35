"""How do the databases keep the words of a resource, and find it by them?

Both keep the marked words of `service.standard.extraction.full_text` in `index_text`, one row a
resource. SQLite has them as a text with spaces between, and beside it `index_text_match`, an FTS5
table without content of its own that cuts at the spaces and nowhere else. PostgreSQL has them as a
tsvector, put together here and not by one of its configurations, under a GIN index. So both know
the same words at the same places.

FTS5 gives its rows in the order of `rid` and goes on from any of them; GIN gives them in no order.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence

from service.standard.extraction.full_text import GAP
from service.store.connection import Connection, Dialect

Found = Sequence[tuple[int, list[str]]]
"""Resources by `rid` with their marked words."""

Term = tuple[tuple[str, ...], bool]
"""Marked words that follow one another, and whether the last is only the beginning of a word."""

_INSERT = "INSERT INTO index_text (rid, words) VALUES (?, ?)"
_INSERT_VECTOR = "INSERT INTO index_text (rid, words) VALUES (?, CAST(? AS tsvector))"
_INSERT_MATCH = "INSERT INTO index_text_match (rowid, words) VALUES (?, ?)"
_DELETE = "DELETE FROM index_text WHERE rid = ?"
_DELETE_MATCH = (
    "INSERT INTO index_text_match (index_text_match, rowid, words)"
    " SELECT 'delete', rid, words FROM index_text WHERE rid = ?"
)
"""FTS5 has to be told what it should forget."""


def write_words(connection: Connection, found: Found) -> None:
    """Insert the words of resources that have none here."""
    if connection.dialect == "postgresql":
        connection.many(_INSERT_VECTOR, [(rid, vector(words)) for rid, words in found])
        return
    rows = [(rid, " ".join(words)) for rid, words in found]
    connection.many(_INSERT, rows)
    connection.many(_INSERT_MATCH, rows)


def remove_words(connection: Connection, keys: Sequence[tuple[int]]) -> None:
    """Take the words of these resources out."""
    if connection.dialect == "sqlite":
        connection.many(_DELETE_MATCH, keys)
    connection.many(_DELETE, keys)


def forget_removed(connection: Connection) -> None:
    """Write the index anew, without the words that were removed; its cost grows with the store.

    FTS5 only marks them as removed until it merges what it wrote. PostgreSQL has VACUUM for that.
    """
    if connection.dialect == "sqlite":
        connection.run("INSERT INTO index_text_match (index_text_match) VALUES ('optimize')")


def vector(words: Iterable[str]) -> str:
    """A tsvector as PostgreSQL reads it: each word with its places, counted from 1."""
    places: dict[str, list[str]] = defaultdict(list)
    for at, word in enumerate(words, 1):
        if word != GAP:
            places[word].append(str(at))
    return " ".join(f"'{word}':{','.join(own)}" for word, own in places.items())


def match_of(dialect: Dialect, alternatives: Iterable[Iterable[Iterable[Term]]]) -> str:
    """What the engine matches: of the alternatives one; of its parts each; of a part one term.

    In the language of FTS5, or that of a tsquery. Words are letters and digits, no operators.
    """
    either, both = (" OR ", " AND ") if dialect == "sqlite" else (" | ", " & ")
    write = _phrase if dialect == "sqlite" else _followed
    return either.join(
        f"({both.join(f'({either.join(map(write, part))})' for part in parts)})"
        for parts in alternatives
    )


def pattern_of(term: Term) -> str:
    """What stands in a text with spaces around each word where it holds the term."""
    words, begins = term
    return f" {' '.join(words)}" + ("" if begins else " ")


def _phrase(term: Term) -> str:
    words, begins = term
    return f'"{" ".join(words)}"' + (" *" if begins else "")


def _followed(term: Term) -> str:
    words, begins = term
    return " <-> ".join(f"'{word}'" for word in words) + (":*" if begins else "")
