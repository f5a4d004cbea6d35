"""How is a response held while it is computed with?

As a copy in which every answer knows its weight, every item its place in the response, and every
look at an element is counted, so that an expression from outside cannot keep the service busy.
"""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from typing import Any

from service.errors import Issue, TooCostly
from service.standard.questionnaires import extensions as ext
from service.standard.questionnaires.form import Form, FormItem, Json
from service.standard.questionnaires.weights import (
    CannotTellError,
    answer_value,
    listed_weight,
    weight_at_answer,
)
from service.standard.validation.fhirpath.budget import Budget

MOST_ELEMENTS = 5_000


class Node(dict[str, Any]):
    """An element; `place` is where it stands in the response, for items and answers."""

    __slots__ = ("budget", "place")

    def __init__(self, content: Json, budget: Budget, place: str = "") -> None:
        super().__init__(content)
        self.budget = budget
        self.place = place

    def get(self, name: str, default: Any = None) -> Any:
        self.budget.spend()
        return super().get(name, default)

    def bare(self, name: str) -> Any:
        """The same without counting, for our own steps."""
        return super().get(name)


class Weighed:
    """A primitive answer with a weight."""

    weight: Decimal | None


class WeighedInteger(int, Weighed):
    """An integer answer with a weight."""


class WeighedText(str, Weighed):
    """A text answer with a weight."""


class Unweighable(Node):
    """A Coding whose weight cannot be told."""


def weight_in(value: Any) -> Decimal | None:
    """The weight that a Coding of the copy carries. Raises CannotTellError."""
    if isinstance(value, Unweighable):
        raise CannotTellError("the weight of an answer cannot be told")
    found = ext.value(value, *ext.WEIGHTS) if isinstance(value, dict) else None
    return None if found is None else Decimal(found)


class Working:
    """The copy of a response to a form, with what was noticed while it was made."""

    def __init__(self, form: Form, response: Json, budget: Budget) -> None:
        self.form = form
        self.budget = budget
        self.issues: list[Issue] = []
        self._count = 0
        self.root = self.node(response, "QuestionnaireResponse")
        self.root["item"] = self._items(response, form.items, self.root.place)

    def node(self, content: Json, place: str = "") -> Node:
        """A new element of the copy."""
        return Node(content, self.budget, place)

    def _items(self, container: Json, asked: Any, place: str) -> list[Node]:
        here: dict[str, FormItem] = {item.link_id: item for item in asked}
        found = []
        for index, given in enumerate(container.get("item") or ()):
            at = f"{place}.item[{index}]"
            item = here[given["linkId"]]
            copy = self._counted(given, at)
            if "item" in copy:
                copy["item"] = self._items(given, item.children, at)
            answers = enumerate(given.get("answer") or ())
            if "answer" in copy:
                copy["answer"] = [
                    self._answer(item, answer, f"{at}.answer[{index}]") for index, answer in answers
                ]
            found.append(copy)
        return found

    def _counted(self, content: Json, place: str) -> Node:
        self._count += 1
        if self._count > MOST_ELEMENTS:
            raise TooCostly(f"The response has more than {MOST_ELEMENTS} items and answers")
        return self.node(content, place)

    def _answer(self, item: FormItem, answer: Json, place: str) -> Node:
        copy = self._counted(answer, place)
        name, value = answer_value(answer)
        if name is not None:
            copy[name] = self._weighed(item, answer, name, value, place)
        if "item" in copy:
            copy["item"] = self._items(answer, item.children, place)
        return copy

    def _weighed(self, item: FormItem, answer: Json, name: str, value: Any, place: str) -> Any:
        """The value with its weight on it."""
        said = weight_at_answer(answer)
        try:
            listed = listed_weight(self.form, item, name, value)
        except CannotTellError:
            listed = None
            if said is None and isinstance(value, dict):
                return Unweighable(value, self.budget)
        if None not in (said, listed) and said != listed:
            text = f"The answer says it weighs {said}; the form says {listed}. The answer is taken"
            self.issues.append(Issue("warning", "business-rule", text, place))
        weight = listed if said is None else said
        if isinstance(value, dict):
            return self._with_weight(value, weight)
        return value if weight is None else _weighed_primitive(value, weight)

    def _with_weight(self, value: Json, weight: Decimal | None) -> Node:
        copy = self.node(value)
        if weight is not None and ext.value(value, *ext.WEIGHTS) is None:
            one = {"url": ext.ORDINAL, "valueDecimal": weight}
            copy["extension"] = [*value.get("extension", ()), one]
        return copy


def _weighed_primitive(value: Any, weight: Decimal) -> Any:
    found: Weighed
    if isinstance(value, bool) or not isinstance(value, int | str):
        return value
    found = WeighedInteger(value) if isinstance(value, int) else WeighedText(value)
    found.weight = weight
    return found


def items_below(container: Node) -> Iterator[Node]:
    """All items in an element of the copy, whatever lies between."""
    for item in container.bare("item") or ():
        container.budget.spend()
        yield item
        yield from items_below(item)
        for answer in item.bare("answer") or ():
            yield from items_below(answer)


def answers_below(container: Node) -> dict[str, list[Any]]:
    """Values of the answers to every item in an element of the copy, by linkId."""
    found: dict[str, list[Any]] = {}
    for item in items_below(container):
        answers = [answer_value(answer)[1] for answer in item.bare("answer") or ()]
        given = [value for value in answers if value is not None]
        if given:
            found.setdefault(item["linkId"], []).extend(given)
    return found


def answers_to(container: Node, link_id: str) -> list[Any]:
    """Values of the answers to one item."""
    return answers_below(container).get(link_id, [])
