"""Do two raters agree? Share of agreement and kappa of each rated measure and pair of raters."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, cast

from service.therapy.course.ratings import Category, Pair, rated_measures
from service.therapy.direct.agreement import Agreement, Weights, agreement
from service.therapy.facts import facts
from service.therapy.measures import MEASURES, known_measures

Resource = dict[str, Any]

_MOST_CELLS = 12


@dataclass(frozen=True, slots=True)
class Agreed:
    """Two raters' scores of the same things."""

    coding: Resource
    raters: tuple[str, str]
    weights: Weights
    result: Agreement
    rule: str
    references: tuple[str, ...]


def agreed(pairs: Iterable[Pair]) -> list[Agreed]:
    """One for each measure and pair of raters, in the order in which they first came."""
    grouped: dict[tuple[object, str, str], list[Pair]] = {}
    for pair in pairs:
        key = (pair.first.thing[0], pair.first.performer, pair.second.performer)
        grouped.setdefault(key, []).append(pair)
    found = (_agreed(group) for group in grouped.values())
    return [each for each in found if each is not None]


def _agreed(pairs: Sequence[Pair]) -> Agreed | None:
    coding = pairs[0].first.coding
    weights, scale = _scale(coding)
    used = [p for p in pairs if scale is None or {p.first.category, p.second.category} <= {*scale}]
    result = agreement(
        [pair.first.category for pair in used],
        [pair.second.category for pair in used],
        scale,
        weights,
    )
    if result is None:
        return None
    return Agreed(
        coding,
        (pairs[0].first.performer, pairs[0].second.performer),
        weights,
        result,
        _rule(used, len(pairs) - len(used), weights, result),
        tuple(rating.reference for pair in used for rating in pair),
    )


def _scale(coding: Resource) -> tuple[Weights, list[Category] | None]:
    """The weights of a measure, and its levels where they are ordered."""
    code = coding.get("code", "")
    own = coding.get("system") == MEASURES
    measure = known_measures().get((MEASURES, code)) if own else None
    weights = rated_measures().get(code) if own else None
    if measure is None or weights is None or measure.minimum is None or measure.maximum is None:
        return "none", None
    levels = range(round(measure.minimum), round(measure.maximum) + 1)
    return cast(Weights, weights), [float(level) for level in levels]


def _rule(pairs: Sequence[Pair], dropped: int, weights: Weights, result: Agreement) -> str:
    data = facts("agreement")
    counts: dict[tuple[Category, Category], int] = {}
    for pair in pairs:
        cell = (pair.first.category, pair.second.category)
        counts[cell] = counts.get(cell, 0) + 1
    cells = sorted(counts.items(), key=lambda item: (-item[1], str(item[0])))
    told = ", ".join(f"{_shown(a)}/{_shown(b)} {n}" for (a, b), n in cells[:_MOST_CELLS])
    more = f" and {len(cells) - _MOST_CELLS} more" if len(cells) > _MOST_CELLS else ""
    parts = [f"First/second rater: {told}{more}."]
    if weights != "none":
        parts.append("In the course of the measure both raters' values count.")
    if weights != "none":
        source = data["weights"]
        parts.append(f"Weights {source['formula']} ({source['source']}; {source['status']}).")
    if result.kappa is None:
        parts.append("No kappa: both give one and the same answer throughout.")
    if result.ratings < data["few"]:
        parts.append(data["few-reason"])
    if dropped:
        parts.append(f"{dropped} pairs left out: not on the scale.")
    return " ".join(parts)


def _shown(category: Category) -> str:
    return category if isinstance(category, str) else f"{category:g}"
