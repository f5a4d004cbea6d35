"""How is the answer wanted? `_sort`, `_count`, `_total`, `_summary`, `_elements`, `_include`, …

R4 search page, #returned onwards.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import cast, get_args

from service.standard.definitions import SearchParameter, definitions
from service.standard.registry import SEARCHED_TYPES
from service.standard.searching.query import Include, Shape, SortKey, Summary, Total
from service.standard.searching.refusals import not_offered, too_much, wrong_value

NAMES = frozenset(
    {
        "_sort",
        "_count",
        "_total",
        "_summary",
        "_elements",
        "_include",
        "_revinclude",
        "_contained",
        "_containedType",
        "_format",
        "_pretty",
        "_cursor",
    }
)
"""Parameters that shape the answer and choose nothing."""

_SORTED_KINDS = frozenset({"token", "reference", "date", "string", "quantity", "number", "uri"})
_SUMMARIES = frozenset(get_args(Summary))
_TOTALS = frozenset(get_args(Total))
_MOST_KEYS = 8
_MOST_INCLUDES = 50


@dataclass
class Wishes:
    """Values of the shaping parameters as they come, by name without modifier."""

    types: tuple[str, ...]
    singles: dict[str, str] = field(default_factory=dict)
    sort: list[SortKey] = field(default_factory=list)
    includes: list[Include] = field(default_factory=list)

    def take(self, name: str, value: str) -> None:
        """Add one pair. Raises a refusal where its value is wrong."""
        code, _, modifier = name.partition(":")
        if code in ("_include", "_revinclude"):
            self.includes.append(self._include(name, code == "_revinclude", modifier, value))
        elif modifier:
            raise not_offered(name, f"{code} has no modifier")
        elif code == "_sort":
            self.sort += [self._sort_key(text) for text in value.split(",")]
        elif code in self.singles:
            raise wrong_value(name, "given twice")
        else:
            self.singles[code] = value
        if len(self.sort) > _MOST_KEYS or len(self.includes) > _MOST_INCLUDES:
            raise too_much(name, "too many of them")

    def shape(self) -> Shape:
        """All of them. Raises a refusal where one is wrong or two contradict."""
        if self.singles.get("_contained", "false") != "false" or "_containedType" in self.singles:
            raise not_offered("_contained", "contained resources are not searched")
        summary = self._choice("_summary", _SUMMARIES)
        if summary == "text" and self.includes:
            raise wrong_value("_summary", "text does not go with _include or _revinclude")
        return Shape(
            sort=tuple(self.sort),
            count=self._count(),
            total=cast("Total | None", self._choice("_total", _TOTALS)),
            summary=cast("Summary | None", summary),
            elements=self._elements(),
            includes=tuple(self.includes),
            cursor=self.singles.get("_cursor"),
        )

    def _choice(self, name: str, allowed: frozenset[str]) -> str | None:
        value = self.singles.get(name)
        if value is not None and value not in allowed:
            raise wrong_value(name, f"{value[:40]!r} is none of {', '.join(sorted(allowed))}")
        return value

    def _count(self) -> int | None:
        text = self.singles.get("_count")
        if text is None:
            return None
        if not (text.isascii() and text.isdecimal() and len(text) < 10):
            raise wrong_value("_count", f"{text[:40]!r} is not a whole number from 0")
        return int(text)

    def _elements(self) -> tuple[str, ...]:
        text = self.singles.get("_elements")
        if text is None:
            return ()
        names = tuple(name.strip().partition("[")[0] for name in text.split(","))
        for name in names:
            if not any(_has_element(type_, name) for type_ in self.types):
                raise wrong_value("_elements", f"{name[:64]!r} is no element of what is searched")
        return names

    def _sort_key(self, text: str) -> SortKey:
        descending = text.startswith("-")
        code = text.removeprefix("-")
        if code in ("_id", "_lastUpdated"):
            return SortKey(code, descending)
        known = definitions()
        found = [known.search_parameters(type_).get(code) for type_ in self.types]
        parameters = tuple(p for p in found if p is not None and p.kind in _SORTED_KINDS)
        if len(parameters) < len(found) or len({p.kind for p in parameters}) != 1:
            raise wrong_value("_sort", f"{text[:64]!r} is nothing that can be sorted by here")
        return SortKey(code, descending, parameters)

    def _include(self, name: str, reverse: bool, modifier: str, value: str) -> Include:
        if modifier not in ("", "iterate", "recurse"):
            raise not_offered(name, f"the modifier {modifier[:64]!r} is not offered")
        iterate = bool(modifier)
        if value == "*":
            types: Sequence[str] = SEARCHED_TYPES if reverse or iterate else self.types
            return Include(_all_references(types), (), reverse, iterate)
        source, _, rest = value.partition(":")
        code, _, target = rest.partition(":")
        if source not in SEARCHED_TYPES or not code:
            raise wrong_value(name, f"{value[:80]!r} is not [type]:[parameter] of what is included")
        if target and target not in SEARCHED_TYPES:
            raise wrong_value(name, f"there is no type {target[:64]!r} that is included")
        targets = (target,) if target else ()
        if code == "*":
            return Include(_all_references([source]), targets, reverse, iterate)
        parameter = definitions().search_parameters(source).get(code)
        if parameter is None or parameter.kind != "reference":
            raise wrong_value(name, f"{source} has no reference parameter {code[:64]!r}")
        return Include((parameter,), targets, reverse, iterate)


def _has_element(type_: str, name: str) -> bool:
    known = definitions()
    elements = known.elements(type_)
    return name in elements or any(element.choice == name for element in elements.values())


def _all_references(types: Sequence[str]) -> tuple[SearchParameter, ...]:
    known = definitions()
    return tuple(
        parameter
        for type_ in types
        for parameter in known.search_parameters(type_).values()
        if parameter.kind == "reference"
    )
