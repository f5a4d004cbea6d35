"""What do the calculated items of a form come to?

Structured Data Capture: calculatedExpression, variable, enableWhenExpression; R4:
questionnaire-constraint. Items that were not to be asked are taken out first, since what they
hold counts for nothing; as their conditions may look at calculated answers, and those at each
other, rounds are made until nothing changes.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from service.errors import Invalid, Issue, TooCostly
from service.standard.questionnaires import extensions as ext
from service.standard.questionnaires.enabling import has_answer, is_enabled
from service.standard.questionnaires.expressions import evaluate, node, plain
from service.standard.questionnaires.form import FormItem
from service.standard.questionnaires.functions import ExpressionError
from service.standard.questionnaires.results import answer_with, failed
from service.standard.questionnaires.weights import CannotTellError
from service.standard.questionnaires.working import (
    Node,
    Working,
    answers_below,
    items_below,
)
from service.standard.validation.fhirpath.budget import BudgetError

_MOST_ROUNDS = 10
_ITEM = "QuestionnaireResponse.item"


class Calculation:
    """Fills the calculated items of a working copy.

    `asked_only` takes out what was not to be asked; `disabled` holds its linkIds then, and
    `passed_over` the answers that were there nevertheless.
    """

    def __init__(self, working: Working, *, asked_only: bool) -> None:
        self.working = working
        self.form = working.form
        self.asked_only = asked_only
        self.disabled: set[str] = set()
        self.passed_over: list[Node] = []
        self._overridden = {item.link_id for item in self.form.calculated if not item.read_only} & {
            given["linkId"] for given in items_below(working.root) if has_answer(given)
        }

    def run(self) -> None:
        """Make rounds until nothing changes. Raises Invalid, TooCostly or BudgetError."""
        before: dict[str, list[Any]] | None = None
        for _ in range(_MOST_ROUNDS):
            self.disabled.clear()
            root = self.working.root
            self._container(root, self.form.items, (root,), self._variables(self.form.raw, root))
            after = answers_below(root)
            if after == before:
                return
            before = after
        raise Invalid(
            "The calculated items of the form depend on each other without end",
            code="processing",
            expression="Questionnaire.item",
            status=422,
        )

    def broken_constraints(self) -> Iterator[Issue]:
        """What the form says must hold, and does not."""
        root = self.working.root
        variables = self._variables(self.form.raw, root)
        yield from self._broken(self.form.raw, root, root, variables, root.place)
        for given in items_below(root):
            item = self.form.by_link[given["linkId"]]
            if next(ext.extensions(item.raw, ext.CONSTRAINT), None) is not None:
                known = self._variables(item.raw, node(given, _ITEM), variables)
                yield from self._broken(item.raw, node(given, _ITEM), given, known, given.place)

    def _broken(
        self, asked: Any, focus: Any, given: Node, variables: Mapping[str, Any], place: str
    ) -> Iterator[Issue]:
        for constraint in ext.extensions(asked, ext.CONSTRAINT):
            expression = ext.part(constraint, "expression")
            if not isinstance(expression, str):
                continue
            found = self._evaluated(expression, focus, variables, "Questionnaire.extension")
            if found == [False]:
                key = ext.part(constraint, "key")
                text = f"{key}: {ext.part(constraint, 'human')}"
                severity = ext.part(constraint, "severity")
                is_warning = severity == "warning"
                yield Issue("warning" if is_warning else "error", "invariant", text, place)

    def _container(
        self,
        container: Node,
        asked: Sequence[FormItem],
        around: tuple[Node, ...],
        variables: Mapping[str, Any],
    ) -> None:
        for item in asked:
            if self.asked_only and not self._is_asked(item, around, variables):
                self._take_out(container, item)
                continue
            if item.formula is not None:
                self._fill(container, item, variables)
            elif (
                item.is_group
                and item.calculates
                and not item.repeats
                and not _instances(container, item)
            ):
                _add(container, self.working.node({"linkId": item.link_id, "item": []}))
            for given in _instances(container, item):
                known = self._variables(item.raw, node(given, _ITEM), variables)
                for inner in [given] if item.is_group else given.bare("answer") or ():
                    self._container(inner, item.children, (*around, inner), known)

    def _is_asked(
        self, item: FormItem, around: tuple[Node, ...], variables: Mapping[str, Any]
    ) -> bool:
        expression = ext.expression_in(ext.value(item.raw, ext.ENABLE_WHEN))
        if expression is not None:
            focus = node(around[-1], _ITEM)
            return self._evaluated(expression, focus, variables, item.place) == [True]
        return is_enabled(item, around)

    def _take_out(self, container: Node, item: FormItem) -> None:
        given = _instances(container, item)
        if given:
            kept = [each for each in container["item"] if each["linkId"] != item.link_id]
            container["item"] = kept
        if item.formula is None:
            self.passed_over += [each for each in given if each.place and has_answer(each)]
        self.disabled |= {each.link_id for each in _with_children(item)}

    def _fill(self, container: Node, item: FormItem, variables: Mapping[str, Any]) -> None:
        given = next(iter(_instances(container, item)), None)
        if item.link_id in self._overridden and given is not None and has_answer(given):
            return
        target = given if given is not None else self.working.node({"linkId": item.link_id})
        focus = node(target, _ITEM)
        known = self._variables(item.raw, focus, variables)
        known = dict(known) | {"qitem": node(item.raw, "Questionnaire.item")}
        found = self._evaluated(item.formula or "", focus, known, item.place)
        answers = [self.working.node(answer_with(item, value)) for value in found]
        if len(answers) > 1 and not item.repeats:
            raise failed(item.place, "it gives more than one value")
        if answers:
            target["answer"] = answers
            if given is None:
                _add(container, target)
        else:
            target.pop("answer", None)

    def _variables(
        self, asked: Any, focus: Any, known: Mapping[str, Any] | None = None
    ) -> Mapping[str, Any]:
        """The variables of an item, or of the form, beside those that are known around it."""
        found = dict(known or {"resource": self.working.root, "questionnaire": self.form.raw})
        for expression in ext.values(asked, ext.VARIABLE):
            name = expression.get("name") if isinstance(expression, dict) else None
            text = ext.expression_in(expression)
            if isinstance(name, str) and text is not None:
                found[name] = self._nodes(text, focus, found, f"Questionnaire: variable {name}")
        return found

    def _evaluated(
        self, expression: str, focus: Any, variables: Mapping[str, Any], place: str
    ) -> list[Any]:
        try:
            return plain(self._nodes(expression, focus, variables, place))
        except ExpressionError as error:
            raise failed(place, str(error)) from None

    def _nodes(
        self, expression: str, focus: Any, variables: Mapping[str, Any], place: str
    ) -> list[Any]:
        try:
            return evaluate(expression, focus, variables, self.working.budget)
        except (ExpressionError, CannotTellError) as error:
            raise failed(place, str(error)) from None
        except BudgetError as error:
            raise TooCostly(str(error), expression=place) from None


def _instances(container: Node, item: FormItem) -> list[Node]:
    return [each for each in container.bare("item") or () if each["linkId"] == item.link_id]


def _add(container: Node, item: Node) -> None:
    container["item"] = [*(container.bare("item") or ()), item]


def _with_children(item: FormItem) -> Iterator[FormItem]:
    yield item
    for child in item.children:
        yield from _with_children(child)
