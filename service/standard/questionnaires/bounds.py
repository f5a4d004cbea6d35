"""Between which values does a score lie, whatever the missing answers are?

Sum scores without a published rule for missing answers are not filled in; but that a total of
nine answers is past a limit already can be told (the bound logic beside the eating assessment).
"""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from service.errors import HyoidError
from service.standard.questionnaires import extensions as ext
from service.standard.questionnaires.calculation import Calculation
from service.standard.questionnaires.form import Form, FormItem, Json
from service.standard.questionnaires.scores import Score, gaps_of, option_weight
from service.standard.questionnaires.working import (
    Node,
    Working,
    answers_to,
)
from service.standard.validation.fhirpath.budget import Budget, BudgetError
from service.standard.validation.fhirpath.json_values import is_number


def bounds_of(score: Score, form: Form, response: Json, budget: Budget) -> tuple[Any, Any] | None:
    """Lowest and highest value of the score; None where that cannot be told."""
    found = []
    try:
        for is_highest in (False, True):
            working = Working(form, response, budget)
            _fill(working, score, is_highest)
            Calculation(working, asked_only=True).run()
            found += answers_to(working.root, score.item.link_id)
    except (HyoidError, BudgetError):
        return None
    if len(found) != 2 or not all(map(is_number, found)):
        return None
    return min(found), max(found)


def in_words(score: Score, bounds: tuple[Any, Any]) -> list[str]:
    """What can be said of the score without the missing answers; nothing where it is all open."""
    low, high = bounds
    limits = [ext.value(score.item.raw, url) for url in (ext.MINIMUM, ext.MAXIMUM)]
    if limits == [low, high]:
        return []
    text = f"Whatever the missing answers are, it lies between {low} and {high}"
    bands = score.band_of(low), score.band_of(high)
    if bands[0] is not None and bands[0] is bands[1]:
        text += f": {bands[0].text}"
    return [text]


def _fill(working: Working, score: Score, is_highest: bool) -> None:
    for gap in gaps_of(score, working.form, working.root, set()):
        answer = _extreme(working.form, gap.item, is_highest)
        container = working.root
        for item in list(gap.item.lineage())[::-1]:
            container = _inner(working, container, item)
        if answer is not None:
            container["answer"] = [working.node(answer)]


def _inner(working: Working, container: Node, item: FormItem) -> Node:
    items: list[Node] = container.bare("item") or []
    for given in items:
        if given["linkId"] == item.link_id:
            return given
    made = working.node({"linkId": item.link_id})
    container["item"] = [*items, made]
    return made


def _extreme(form: Form, item: FormItem, is_highest: bool) -> Json | None:
    """The answer that weighs most or least."""
    weighed: list[tuple[Decimal, Json]] = []
    for option in item.options:
        weight = option_weight(form, item, option)
        if weight is not None:
            weighed.append((weight, option))
    if not weighed:
        limit = ext.value(item.raw, ext.MAXIMUM if is_highest else ext.MINIMUM)
        return {"valueInteger": limit} if isinstance(limit, int) else None
    weight, option = (max if is_highest else min)(weighed, key=lambda pair: pair[0])
    value = option.get("valueCoding")
    if value is None:
        return None
    one = {"url": ext.ORDINAL, "valueDecimal": weight}
    return {"valueCoding": {**value, "extension": [one]}}
