"""How is one of our forms answered in a test? Answers by linkId become a QuestionnaireResponse."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from service.standard.questionnaires import Extraction, extract, find

OWN = "https://hyoid.example/fhir/Questionnaire/"
MEASURES = "https://hyoid.example/fhir/CodeSystem/measure"

Json = dict[str, Any]


def form(name: str) -> Json:
    """One of our forms."""
    found = find(OWN + name)
    assert found is not None
    return found


def respond(questionnaire: Json, answers: Mapping[str, Any], **more: Any) -> Json:
    """A completed response: answers by linkId, choices by code; a list is several answers, a
    pair is an answer with what is asked below it."""
    left = dict(answers)
    items = _items(questionnaire.get("item", ()), left)
    assert not left, f"the form has no {sorted(left)}"
    return {
        "resourceType": "QuestionnaireResponse",
        "id": "r1",
        "questionnaire": f"{questionnaire['url']}|{questionnaire['version']}",
        "status": "completed",
        "subject": {"reference": "Patient/p1"},
        "authored": "2026-03-04T09:30:00+01:00",
        "author": {"reference": "Practitioner/t1"},
        "item": items,
    } | more


def scores(extraction: Extraction) -> dict[str, Any]:
    """Value of each Observation by its code in our system: a number, or a code."""
    found: dict[str, Any] = {}
    for entry in extraction.entries:
        resource = entry["resource"]
        if resource["resourceType"] == "Observation":
            found[code_of(resource)] = value_of(resource)
    return found


def code_of(coded: Json) -> str:
    """The code in our system."""
    codes: list[str] = [c["code"] for c in coded["code"]["coding"] if c["system"] == MEASURES]
    return codes[0]


def value_of(holder: Json) -> Any:
    """The number or code of an Observation or component."""
    if "valueQuantity" in holder:
        return float(holder["valueQuantity"]["value"])
    if "valueCodeableConcept" in holder:
        return holder["valueCodeableConcept"]["coding"][0]["code"]
    return None


def computed(name: str, answers: Mapping[str, Any]) -> dict[str, Any]:
    """The scores of one of our forms with these answers."""
    return scores(extract(respond(form(name), answers), form(name)))


def numbered(weights: list[int]) -> dict[str, str]:
    """Answers of these weights to the items 1, 2, …"""
    return {f"item-{number}": f"scale-{weight}" for number, weight in enumerate(weights, 1)}


def guss(*parts: int | None) -> dict[str, str]:
    """Answers that make these totals of the four parts; None: not asked."""
    found: dict[str, str] = {}
    names = ("indirect", "semisolid", "liquid", "solid")
    for name, total in zip(names, parts, strict=False):
        if total is None:
            continue
        if name == "indirect":
            wanted = [place < total for place in range(5)]
            good = dict(zip(("alertness", "cough", "swallow"), wanted[:3], strict=True))
            found |= {f"{name}-{item}": "Y" if is_so else "N" for item, is_so in good.items()}
            absent = wanted[3:]
            items: tuple[str, ...] = ("drooling", "voice")
        else:
            swallow = min(total, 2)
            found[f"{name}-swallow"] = ("swallow-none", "swallow-delayed", "swallow-done")[swallow]
            absent = [place < total - swallow for place in range(3)]
            items = ("cough", "drooling", "voice")
        found |= {
            f"{name}-{item}": "N" if is_so else "Y"
            for item, is_so in zip(items, absent, strict=True)
        }
    return found


def mdadi(weight_of: dict[str, int]) -> dict[str, str]:
    """Boxes that weigh this; E7 and F2 score the other way round."""
    return {
        item: f"box-{6 - weight if item in ('e7', 'f2') else weight}"
        for item, weight in weight_of.items()
    }


def _items(asked: Any, answers: dict[str, Any]) -> list[Json]:
    found = []
    for item in asked:
        link = item["linkId"]
        if item["type"] == "group":
            inner = _items(item["item"], answers)
            found += [{"linkId": link, "item": inner}] if inner else []
        elif link in answers:
            given = answers.pop(link)
            listed = given if isinstance(given, list) else [given]
            found.append({"linkId": link, "answer": [_answer(item, one) for one in listed]})
    return found


def _answer(item: Json, value: Any) -> Json:
    if isinstance(value, tuple):
        value, below = value
        return _answer(item, value) | {"item": _items(item["item"], dict(below))}
    if item["type"] == "choice":
        option = next(o for o in item["answerOption"] if o["valueCoding"]["code"] == str(value))
        return {"valueCoding": dict(option["valueCoding"])}
    kind = item["type"]
    return {f"value{kind[0].upper()}{kind[1:]}": value}
