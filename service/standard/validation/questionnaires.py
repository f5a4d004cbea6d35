"""Do the items of a Questionnaire refer to each other? (R4, Questionnaire.item.enableWhen)"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from service.standard.validation.findings import Context, Place, shown


def check_enabling(questionnaire: dict[str, Any], place: Place, context: Context) -> None:
    """What enables an item is the answer to another item of the same form."""
    items = list(_items(questionnaire, place))
    known = {link for item, _ in items if isinstance(link := item.get("linkId"), str)}
    for item, at in items:
        conditions = item.get("enableWhen")
        for number, condition in enumerate(conditions if isinstance(conditions, list) else ()):
            question = condition.get("question") if isinstance(condition, dict) else None
            if not isinstance(question, str):
                continue
            where = Place(Place(at, "enableWhen", number), "question")
            if question not in known:
                context.add("not-found", f"No item has the linkId {shown(question)}", where)
            elif question == item.get("linkId"):
                context.add("invalid", "An item cannot be enabled by its own answer", where)


def _items(holder: dict[str, Any], place: Place) -> Iterator[tuple[dict[str, Any], Place]]:
    items = holder.get("item")
    for number, item in enumerate(items if isinstance(items, list) else ()):
        if isinstance(item, dict):
            at = Place(place, "item", number)
            yield item, at
            yield from _items(item, at)
