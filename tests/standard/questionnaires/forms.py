"""Small forms made for a test: items in a few words."""

from __future__ import annotations

from typing import Any

from service.standard.questionnaires import extensions as ext

Json = dict[str, Any]

CODES = "https://clinic.example/codes"


def form_of(*items: Json, **more: Any) -> Json:
    """A Questionnaire with these items."""
    return {
        "resourceType": "Questionnaire",
        "url": "https://clinic.example/form",
        "version": "1",
        "status": "active",
        "item": list(items),
    } | more


def item(link: str, kind: str = "integer", **more: Any) -> Json:
    """An item; `extension` and the like come by name."""
    return {"linkId": link, "type": kind} | more


def coded(link: str, kind: str = "integer", **more: Any) -> Json:
    """A question that is extracted."""
    extensions = [extracted(), *more.pop("extension", [])]
    return item(link, kind, code=[{"system": CODES, "code": link}], extension=extensions, **more)


def calculated(link: str, expression: str, kind: str = "integer", **more: Any) -> Json:
    """A read-only item that is calculated and extracted."""
    extensions = [formula(expression), *more.pop("extension", [])]
    return coded(link, kind, extension=extensions, **({"readOnly": True} | more))


def choice(link: str, weights: dict[str, int | None], **more: Any) -> Json:
    """A question with these options, by code, and their weights."""
    return item(link, "choice", **more) | {"answerOption": [option(*w) for w in weights.items()]}


def option(code: str, weight: int | None = None) -> Json:
    """An option, with its weight as R4 writes it."""
    found: Json = {"valueCoding": {"system": CODES, "code": code}}
    if weight is not None:
        found["extension"] = [{"url": ext.ORDINAL, "valueDecimal": weight}]
    return found


def formula(expression: str, url: str = ext.CALCULATED) -> Json:
    """An extension that holds an expression."""
    return {
        "url": url,
        "valueExpression": {"language": "text/fhirpath", "expression": expression},
    }


def variable(name: str, expression: str) -> Json:
    """A variable of an item or form."""
    found = formula(expression, ext.VARIABLE)
    found["valueExpression"]["name"] = name
    return found


def constraint(expression: str, severity: str = "error") -> Json:
    """A rule of a form or item (R4, questionnaire-constraint)."""
    parts = {
        "key": ("Id", "rule-1"),
        "severity": ("Code", severity),
        "expression": ("String", expression),
        "human": ("String", "It must hold"),
    }
    return {
        "url": ext.CONSTRAINT,
        "extension": [{"url": n, f"value{k}": v} for n, (k, v) in parts.items()],
    }


def extracted(form: Any = True) -> Json:
    """observationExtract as a truth or as a code."""
    return {"url": ext.EXTRACT, "valueBoolean" if isinstance(form, bool) else "valueCode": form}


def answered(*items: Json, **more: Any) -> Json:
    """A completed response with these items."""
    return {
        "resourceType": "QuestionnaireResponse",
        "id": "r1",
        "status": "completed",
        "questionnaire": "https://clinic.example/form",
        "subject": {"reference": "Patient/p1"},
        "authored": "2026-03-04",
        "item": list(items),
    } | more


def given(link: str, *values: Any, item: list[Json] | None = None) -> Json:
    """An item of a response: numbers, truths and texts as they are, codes as `Code`."""
    found: Json = {"linkId": link}
    if values:
        found["answer"] = [_answer(value) for value in values]
    return found | ({"item": item} if item is not None else {})


def coding(code: str) -> Json:
    """A Coding of the tests."""
    return {"system": CODES, "code": code}


def _answer(value: Any) -> Json:
    if isinstance(value, dict) and any(name.startswith("value") for name in value):
        return value
    names = {bool: "valueBoolean", int: "valueInteger", str: "valueString", dict: "valueCoding"}
    return {names.get(type(value), "valueDecimal"): value}
