"""Was this item to be asked, given the other answers? (R4, Questionnaire.item.enableWhen)

Also by an expression (Structured Data Capture, enableWhenExpression; `calculation.py` evaluates
it). The answer looked at is the nearest one: within the same group first, then around it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from service.standard.questionnaires.form import FormItem, Json
from service.standard.questionnaires.weights import answer_value
from service.standard.questionnaires.working import Node, answers_to
from service.standard.validation.fhirpath.json_values import order

_ORDERS: dict[str, Callable[[int], bool]] = {
    "=": lambda found: found == 0,
    ">": lambda found: found > 0,
    "<": lambda found: found < 0,
    ">=": lambda found: found >= 0,
    "<=": lambda found: found <= 0,
}


def is_enabled(item: FormItem, around: Sequence[Node]) -> bool:
    """Whether the conditions of the item hold; `around` are the elements it lies in."""
    conditions = item.raw.get("enableWhen") or ()
    if not conditions:
        return True
    results = [_holds(condition, around) for condition in conditions]
    return any(results) if item.raw.get("enableBehavior") == "any" else all(results)


def _holds(condition: Json, around: Sequence[Node]) -> bool:
    answers: list[Any] = []
    for container in reversed(around):
        answers = answers_to(container, str(condition["question"]))
        if answers:
            break
    wanted = next((v for name, v in condition.items() if name.startswith("answer")), None)
    sign = condition["operator"]
    if sign == "exists":
        return bool(answers) is wanted
    if sign == "!=":
        return not any(_compared("=", answer, wanted) for answer in answers)
    return any(_compared(sign, answer, wanted) for answer in answers)


def _compared(sign: str, answer: Any, wanted: Any) -> bool:
    if isinstance(wanted, dict) and isinstance(answer, dict) and "value" not in wanted:
        names = ("reference",) if "reference" in wanted else ("system", "code")
        return sign == "=" and all(answer.get(name) == wanted.get(name) for name in names)
    if isinstance(wanted, bool) or isinstance(answer, bool):
        return sign == "=" and answer is wanted
    found = order(answer, wanted)
    return found is not None and _ORDERS[sign](found)


def has_answer(item: Node) -> bool:
    """Whether an item of the copy, or one in it, has an answer with a value."""
    answers = item.bare("answer") or ()
    if any(answer_value(answer)[0] is not None for answer in answers):
        return True
    return any(has_answer(inner) for inner in item.bare("item") or ())
