"""Does what an expression came to fit the item, and is it what the response had?"""

from __future__ import annotations

from typing import Any

from service.errors import HyoidError, Invalid
from service.standard.codec import Number
from service.standard.questionnaires import extensions as ext
from service.standard.questionnaires.form import FormItem
from service.standard.validation.fhirpath.json_values import is_number, same_value

_NAMES = {
    "boolean": "valueBoolean",
    "integer": "valueInteger",
    "decimal": "valueDecimal",
    "string": "valueString",
    "text": "valueString",
    "date": "valueDate",
    "dateTime": "valueDateTime",
    "time": "valueTime",
    "url": "valueUri",
    "choice": "valueCoding",
    "open-choice": "valueCoding",
    "quantity": "valueQuantity",
    "reference": "valueReference",
}


def failed(place: str, reason: str) -> HyoidError:
    text = f"An expression of the form cannot be computed: {reason}"
    return Invalid(text, code="processing", expression=place, status=422)


def answer_with(item: FormItem, value: Any) -> dict[str, Any]:
    """A computed value as an answer of the item's type, within its limits."""
    name = _NAMES.get(item.type)
    if is_number(value) and item.options and any("valueInteger" in o for o in item.options):
        name = "valueInteger"
    fits = {
        "valueBoolean": isinstance(value, bool),
        "valueInteger": isinstance(value, int) and not isinstance(value, bool),
        "valueDecimal": is_number(value),
        "valueCoding": isinstance(value, dict),
        "valueQuantity": isinstance(value, dict),
        "valueReference": isinstance(value, dict),
    }.get(name or "", isinstance(value, str))
    if name is None or not fits:
        raise failed(item.place, f"its value does not fit the type {item.type}")
    if is_number(value):
        low, high = ext.value(item.raw, ext.MINIMUM), ext.value(item.raw, ext.MAXIMUM)
        if (is_number(low) and value < low) or (is_number(high) and value > high):
            raise failed(item.place, f"{value} lies outside {low} to {high}")
        value = Number(format(value, "f")) if name == "valueDecimal" else value
    return {name: value}


def differs(stored: list[Any], computed: list[Any]) -> bool:
    """Whether what a response says of a calculated item is not what is computed."""
    return len(stored) != len(computed) or not all(map(_alike, stored, computed))


def _alike(a: Any, b: Any) -> bool:
    if isinstance(a, dict) and isinstance(b, dict) and "code" in a:
        return all(dict.get(a, name) == dict.get(b, name) for name in ("system", "code"))
    return same_value(a, b)
