"""Does a response answer this form? Its linkIds, types, options and limits.

R4: http://hl7.org/fhir/R4/questionnaireresponse.html, as far as one must know to compute with
the answers. Whether something is missing is told later, when it is known what was asked
(`calculation.py`, `scores.py`).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from typing import Any

from service.errors import Issue
from service.standard.questionnaires import extensions as ext
from service.standard.questionnaires.form import Form, FormItem, Json
from service.standard.questionnaires.weights import answer_value, option_of
from service.standard.validation.fhirpath.json_values import is_number

_NAMES: dict[str, frozenset[str]] = {
    "boolean": frozenset({"valueBoolean"}),
    "decimal": frozenset({"valueDecimal"}),
    "integer": frozenset({"valueInteger"}),
    "date": frozenset({"valueDate"}),
    "dateTime": frozenset({"valueDateTime"}),
    "time": frozenset({"valueTime"}),
    "string": frozenset({"valueString"}),
    "text": frozenset({"valueString"}),
    "url": frozenset({"valueUri"}),
    "choice": frozenset({"valueCoding"}),
    "open-choice": frozenset({"valueCoding", "valueString"}),
    "attachment": frozenset({"valueAttachment"}),
    "reference": frozenset({"valueReference"}),
    "quantity": frozenset({"valueQuantity"}),
}


def answer_issues(form: Form, response: Json) -> list[Issue]:
    """Every answer that does not fit the form, with its place in the response."""
    return list(_in_container(form, response, form.items, "QuestionnaireResponse"))


def _in_container(
    form: Form, container: Json, asked: Iterable[FormItem], place: str
) -> Iterator[Issue]:
    here = {item.link_id: item for item in asked}
    seen: Counter[str] = Counter()
    for index, given in enumerate(container.get("item") or ()):
        at = f"{place}.item[{index}]"
        link = str(given.get("linkId"))
        item = here.get(link)
        seen[link] += 1
        if item is None:
            where = "at another place" if link in form.by_link else "nowhere"
            yield _wrong(f"The form has the item {link[:64]!r} {where}", at, "not-found")
        elif seen[link] > 1 and not (item.repeats and item.is_group):
            yield _wrong(f"The item {link[:64]!r} stands here twice", at, "duplicate")
        else:
            yield from _in_item(form, item, given, at)


def _in_item(form: Form, item: FormItem, given: Json, place: str) -> Iterator[Issue]:
    answers = given.get("answer") or ()
    if not item.is_question:
        if answers:
            yield _wrong(f"{item.link_id[:64]!r} is no question", f"{place}.answer")
        yield from _in_container(form, given, item.children, place)
        return
    if given.get("item"):
        text = "What is asked below a question stands in its answer"
        yield _wrong(text, f"{place}.item", "structure")
    if len(answers) > 1 and not item.repeats:
        yield _wrong(f"{item.link_id[:64]!r} takes one answer", f"{place}.answer", "duplicate")
    for index, answer in enumerate(answers):
        at = f"{place}.answer[{index}]"
        name, value = answer_value(answer)
        if name is not None:
            yield from _of_value(item, name, value, at)
        yield from _in_container(form, answer, item.children, at)


def _of_value(item: FormItem, name: str, value: Any, place: str) -> Iterator[Issue]:
    link = item.link_id[:64]
    allowed = _allowed(item)
    if name not in allowed:
        yield _wrong(f"{link!r} is answered with {' or '.join(sorted(allowed))}", place)
        return
    is_listed = not item.options or option_of(item, name, value) is not None
    if not is_listed and not (item.type == "open-choice" and name == "valueString"):
        yield _wrong(f"{_shown(value)} is none of the options of {link!r}", place, "code-invalid")
    if is_number(value):
        for limit, text in _limits(item):
            if (value < limit) if text == "below" else (value > limit):
                yield _wrong(f"{value} is {text} {limit}, the limit of {link!r}", place)


def _allowed(item: FormItem) -> frozenset[str]:
    names = _NAMES[item.type]
    if item.options:
        offered = {name for option in item.options if (name := answer_value(option)[0])}
        return frozenset(offered) | (names if item.type == "open-choice" else frozenset())
    return names


def _limits(item: FormItem) -> Iterator[tuple[Any, str]]:
    for url, text in ((ext.MINIMUM, "below"), (ext.MAXIMUM, "above")):
        limit = ext.value(item.raw, url)
        if is_number(limit):
            yield limit, text


def _shown(value: Any) -> str:
    shown = value.get("code", value.get("display")) if isinstance(value, dict) else value
    return repr(str(shown)[:64])


def _wrong(text: str, place: str, code: str = "value") -> Issue:
    return Issue("error", code, text, place)
