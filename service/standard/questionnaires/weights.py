"""Which number does an answer stand for? `weight()` of FHIRPath in Structured Data Capture.

The weight at the answer itself goes first, then the one of the form's option, of the value set
(one that the Questionnaire contains), of the code system (one of ours). Where the list of options
cannot be seen, the weight cannot be told, which is not the same as having none.
"""

from __future__ import annotations

import functools
import re
from collections.abc import Mapping
from decimal import Decimal
from typing import Any

import orjson

from service.data import mappings
from service.standard.questionnaires import extensions as ext
from service.standard.questionnaires.form import Form, FormItem, Json

_OWN_SYSTEM = re.compile(r"https://hyoid\.example/fhir/CodeSystem/([a-z0-9-]{1,64})")


class CannotTellError(ValueError):
    """The weight may exist, but not where it can be seen from here."""


def weight_of(form: Form, item: FormItem, answer: Json) -> Decimal | None:
    """The weight of an answer; None where it has none. Raises CannotTellError."""
    name, value = answer_value(answer)
    own = weight_at_answer(answer)
    if own is not None or name is None:
        return own
    return listed_weight(form, item, name, value)


def listed_weight(form: Form, item: FormItem, name: str, value: Any) -> Decimal | None:
    """The weight that the form gives to this value, whatever the answer says itself."""
    if item.options:
        option = option_of(item, name, value)
        if option is None:
            return None
        found = _weight(option, option.get(name), option.get(f"_{name}"))
        if found is not None:
            return found
    elif "answerValueSet" in item.raw:
        found = _in_value_set(form, item, value)
        if found is not None:
            return found
    return _in_code_system(value)


def weight_at_answer(answer: Json) -> Decimal | None:
    """The weight that the answer itself says."""
    name, value = answer_value(answer)
    return _weight(value, answer.get(f"_{name}"), answer)


def answer_value(answer: Json) -> tuple[str | None, Any]:
    """Name and value of the answer: (`valueCoding`, …); (None, None) where it has none."""
    for name, value in answer.items():
        if name.startswith("value"):
            return name, value
    return None, None


def option_of(item: FormItem, name: str, value: Any) -> Json | None:
    """The option of the form that this answer takes."""
    for option in item.options:
        if name in option and _same(option[name], value):
            return option
    return None


def _same(offered: Any, given: Any) -> bool:
    if isinstance(offered, dict) and isinstance(given, dict):
        names = ("reference",) if "reference" in offered else ("system", "code")
        if any(name in offered for name in names):
            return all(offered.get(name) == given.get(name) for name in names)
        return bool(offered.get("display") == given.get("display"))
    return type(offered) is type(given) and bool(offered == given)


def _weight(*elements: Any) -> Decimal | None:
    for element in elements:
        if isinstance(element, Mapping):
            for found in ext.values(element, *ext.WEIGHTS):
                if isinstance(found, int | Decimal) and not isinstance(found, bool):
                    return Decimal(found)
    return None


def _in_value_set(form: Form, item: FormItem, value: Any) -> Decimal | None:
    url = str(item.raw["answerValueSet"])
    held = form.contained("ValueSet", url)
    if held is None:
        raise CannotTellError(f"the options of {url[:200]} are not at hand")
    for include in (held.get("compose") or {}).get("include") or ():
        if isinstance(value, Mapping) and include.get("system") == value.get("system"):
            for concept in include.get("concept") or ():
                if concept.get("code") == value.get("code"):
                    return _weight(concept)
    return None


def _in_code_system(value: Any) -> Decimal | None:
    if not isinstance(value, Mapping):
        return None
    known = _OWN_SYSTEM.fullmatch(str(value.get("system")))
    return _own_weights(known[1]).get(str(value.get("code"))) if known else None


@functools.cache
def _own_weights(name: str) -> Mapping[str, Decimal]:
    path = mappings("code-systems", f"{name}.json")
    if not path.is_file():
        return {}
    found = ((c["code"], _weight(c)) for c in orjson.loads(path.read_bytes())["concept"])
    return {code: weight for code, weight in found if weight is not None}
