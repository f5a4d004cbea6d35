"""Which Observation does an item make: under which codes, in which categories, how related?

Structured Data Capture, Observation-based extraction: observationExtract on the form, an item or
a code (the nearest level wins), and its category.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Literal

from service.standard.questionnaires import extensions as ext
from service.standard.questionnaires.form import Form, FormItem, Json

Relation = Literal["component", "member", "derived", "independent"]
_RELATIONS: dict[str, Relation] = {
    "component": "component",
    "member": "member",
    "derived": "derived",
    "independent": "independent",
}
_SURVEY = {
    "coding": [
        {
            "system": "http://terminology.hl7.org/CodeSystem/observation-category",
            "code": "survey",
            "display": "Survey",
        }
    ]
}


@dataclass(frozen=True, slots=True)
class Plan:
    """How the answers to one item become Observations; `relation` is that to the item above."""

    codes: tuple[Json, ...]
    relation: Relation | None
    categories: tuple[Json, ...]


def plan_of(form: Form, item: FormItem) -> Plan | None:
    """The plan of an item; None where nothing is made of it."""
    wish = _nearest(form, item, ext.EXTRACT)
    wanted = wish[0] if wish else False
    relation = _relation(wanted)
    codes = item.raw.get("code") or ()
    tagged = [(code, ext.value(code, ext.EXTRACT)) for code in codes]
    chosen = [(code, tag) for code, tag in tagged if tag is True or _relation(tag)]
    if chosen:
        codes = [code for code, _ in chosen]
        relation = next((found for _, tag in chosen if (found := _relation(tag))), relation)
    elif wanted is True or relation is not None:
        codes = [code for code, tag in tagged if tag is not False]
    else:
        return None
    if not codes:
        return None
    categories = [each for each in _nearest(form, item, ext.CATEGORY) if isinstance(each, dict)]
    return Plan(tuple(map(_untagged, codes)), relation, tuple(categories or [_SURVEY]))


def _relation(wanted: Any) -> Relation | None:
    return _RELATIONS.get(wanted) if isinstance(wanted, str) else None


def _nearest(form: Form, item: FormItem, url: str) -> list[Any]:
    """What the nearest level says that says anything."""
    levels: Iterable[Any] = [*(each.raw for each in item.lineage()), form.raw]
    return next((found for level in levels if (found := ext.values(level, url))), [])


def _untagged(code: Json) -> Json:
    kept = [each for each in code.get("extension") or () if each.get("url") != ext.EXTRACT]
    bare = {name: value for name, value in code.items() if name != "extension"}
    return bare | ({"extension": kept} if kept else {})
