"""In which rows of an index does a value lie? One function for each kind of value.

A value is one or more `Seek`s: stretches of an index, with the condition that picks its rows.
Their union is exactly the rows that meet the value. In the conditions `@.` stands for the alias
of the table.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from service.standard.definitions import Kind
from service.standard.search_values import clip, fold
from service.standard.searching.query import (
    ReferenceValue,
    TextValue,
    TokenValue,
    UriValue,
)
from service.store.sql import Sql, all_of

RID = "rid"
"""As the order of a seek: its rows come in the order of `rid`."""
UNORDERED = ""

LAST = "\U0010ffff"
"""Comes after every text."""
LONGEST, _KEPT = 200, 160
"""Longer texts are clipped, and what is left of them."""
_FEW_TARGETS = 4


@dataclass(frozen=True, slots=True)
class Seek:
    """A stretch of `index`, and a filter on its rows that the index does not help with.

    Rows of the stretch come in the order of the column `order`.
    """

    index: str
    text: str
    params: tuple[Any, ...]
    order: str
    filter: str = ""
    filter_params: tuple[Any, ...] = ()

    def stretch(self, alias: str) -> Sql:
        """The rows that are read, of the table named by this alias."""
        return Sql(named(self.text, alias), self.params)

    def sift(self, alias: str) -> Sql | None:
        """What is asked of them besides."""
        return Sql(named(self.filter, alias), self.filter_params) if self.filter else None

    def met(self) -> Sql:
        """The condition on a row, whatever way it is found."""
        parts = (Sql(self.text, self.params), Sql(self.filter, self.filter_params))
        return all_of(part for part in parts if part.text)

    def sifted(self, text: str, params: tuple[Any, ...]) -> Seek:
        """The same stretch under a further condition."""
        joined = f"{self.filter} AND {text}" if self.filter else text
        return replace(self, filter=joined, filter_params=self.filter_params + params)


def named(text: str, alias: str) -> str:
    """The condition on the table with this alias."""
    return text.replace("@.", f"{alias}.")


TABLES: dict[Kind, str] = {
    "token": "index_token",
    "reference": "index_reference",
    "date": "index_date",
    "string": "index_string",
    "quantity": "index_quantity",
    "number": "index_quantity",
    "uri": "index_uri",
}

KEYS = {
    "index_token": ("code", "system", "grp"),
    "index_reference": ("target_id", "target_type", "grp"),
    "index_date": ("low", "high", "grp"),
    "index_string": ("folded", "exact", "grp"),
    "index_quantity": ("low", "high", "unit_code", "unit_system", "unit", "grp"),
    "index_uri": ("value", "grp"),
}
"""The primary key of each table after (rid, param)."""


def token_seeks(value: TokenValue) -> list[Seek]:
    """`code`, `system|code`, `|code`, `system|`."""
    if value.code is None:
        assert value.system is not None
        return [Seek("index_token_system", "@.system = ?", (clip(value.system),), RID)]
    code = clip(value.code)
    whole = Seek("index_token_code", "@.code = ?", (code,), RID)
    if value.system is None:
        return [whole]
    return [whole.sifted("@.system = ?", (clip(value.system),))]


def reference_seeks(value: ReferenceValue, targets: tuple[str, ...]) -> list[Seek]:
    """Of a URL, of a type and an id, or of an id alone: then of each type it may be."""
    index, text = "index_reference_target", "@.target_id = ? AND @.target_type = ?"
    if value.url is not None:
        return [Seek(index, text, (clip(value.url), ""), RID)]
    if value.type is not None:
        return [Seek(index, text, (value.id, value.type), RID)]
    if 0 < len(targets) <= _FEW_TARGETS:
        return [Seek(index, text, (value.id, target), RID) for target in targets]
    return [Seek(index, "@.target_id = ? AND @.target_type <> ''", (value.id,), UNORDERED)]


def string_seeks(value: TextValue, modifier: str) -> list[Seek]:
    """A folded prefix; `:exact` the text itself; `:contains` anywhere in the folded text."""
    index, folded = "index_string_folded", fold(value.text)
    if modifier == "exact":
        params = (clip(folded), clip(value.text))
        return [Seek(index, "@.folded = ?", params[:1], RID, "@.exact = ?", params[1:])]
    if modifier == "contains":
        pattern = f"%{_like(clip(folded))}%"
        return [
            Seek(index, "@.folded >= ''", (), "folded", "@.folded LIKE ? ESCAPE '!'", (pattern,))
        ]
    found = [_prefix(index, "folded", folded[: LONGEST + 1])]
    if len(folded) > _KEPT:
        found.append(_prefix(index, "folded", folded[:_KEPT] + "…"))
    return found


def uri_seeks(value: UriValue, modifier: str) -> list[Seek]:
    """A URI itself; `:below` also what lies under it, `:above` also what it lies under."""
    index, stem = "index_uri_value", value.uri.rstrip("/")
    if modifier == "below":
        whole = Seek(index, "@.value = ?", (clip(stem),), "value")
        return [whole, _prefix(index, "value", stem + "/")]
    if modifier == "above":
        return [Seek(index, "@.value = ?", (clip(uri),), RID) for uri in _above(stem)]
    return [Seek(index, "@.value = ?", (clip(value.uri),), RID)]


def _prefix(index: str, column: str, prefix: str) -> Seek:
    text = f"@.{column} >= ? AND @.{column} < ?"
    return Seek(index, text, (prefix, prefix + LAST), column)


def _like(text: str) -> str:
    for mark in "!%_":
        text = text.replace(mark, "!" + mark)
    return text


def _above(stem: str) -> list[str]:
    """`http://a/b/c`: itself, `http://a/b`, `http://a`, each with and without `/` at its end."""
    scheme, _, path = stem.partition("://")
    parts = path.split("/")
    stems = [f"{scheme}://{'/'.join(parts[:size])}" for size in range(len(parts), 0, -1)]
    return [uri for stem in stems for uri in (stem, stem + "/")]
