"""What do the answers say as Observations?

Structured Data Capture 4.0, Observation-based extraction; the interpretation, the reference range
and the words of the formula are added from what is known about a score.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from service.errors import Issue
from service.standard.definitions import definitions
from service.standard.questionnaires import extensions as ext
from service.standard.questionnaires.form import Form, FormItem, Json
from service.standard.questionnaires.identity import Identity, urn
from service.standard.questionnaires.judgement import judged, told
from service.standard.questionnaires.plans import Plan, plan_of
from service.standard.questionnaires.weights import answer_value, option_of
from service.standard.questionnaires.working import Node
from service.standard.validation.fhirpath.json_values import is_number

_SAME = {
    "valueBoolean": "valueBoolean",
    "valueString": "valueString",
    "valueTime": "valueTime",
    "valueDateTime": "valueDateTime",
    "valueDate": "valueDateTime",
    "valueUri": "valueString",
    "valueInteger": "valueInteger",
    "valueQuantity": "valueQuantity",
}
_UCUM = "http://unitsofmeasure.org"


@dataclass(slots=True)
class Draft:
    """An Observation that is being made, and its name in the transaction."""

    content: Json
    full_url: str
    is_linked: bool = False


@dataclass(slots=True)
class Drafts:
    """Everything made so far."""

    form: Form
    head: Json
    """What all Observations of one response have in common."""
    identity: Identity
    made: list[Draft] = field(default_factory=list)
    issues: list[Issue] = field(default_factory=list)
    _numbers: Counter[str] = field(default_factory=Counter)

    def gather(self, container: Node, asked: Iterable[FormItem], above: Draft | None) -> None:
        """Make the Observations of all answers in an element of the copy."""
        here = {item.link_id: item for item in asked}
        for given in container.bare("item") or ():
            item = here[given["linkId"]]
            if next(ext.extensions(item.raw, ext.SUBJECT), None) is not None:
                text = f"{item.link_id!r} is about somebody else; that is not extracted here"
                self.issues.append(Issue("warning", "not-supported", text, given.place or None))
                continue
            plan = plan_of(self.form, item)
            if item.is_group:
                self._group(item, plan, given, above)
            elif item.is_question:
                self._answers(item, plan, given, above)

    def _group(self, item: FormItem, plan: Plan | None, given: Node, above: Draft | None) -> None:
        if plan is None:
            self.gather(given, item.children, above)
            return
        draft = self._draft(item, plan)
        self.gather(given, item.children, draft)
        if draft.is_linked:
            self._link(draft, plan, above)
            self.made.append(draft)

    def _answers(self, item: FormItem, plan: Plan | None, given: Node, above: Draft | None) -> None:
        for answer in given.bare("answer") or ():
            value = self._value(item, answer) if plan is not None else None
            if plan is None or value is None:
                self.gather(answer, item.children, above)
            elif plan.relation == "component" and above is not None:
                part = {"code": _concept(plan)} | value | judged(item, value)
                above.content.setdefault("component", []).append(part)
                above.is_linked = True
                self.gather(answer, item.children, above)
            else:
                draft = self._draft(item, plan)
                draft.content |= value | judged(item, value) | told(self.form, item)
                self._link(draft, plan, above)
                self.made.append(draft)
                self.gather(answer, item.children, draft)

    def _draft(self, item: FormItem, plan: Plan) -> Draft:
        number = self._numbers[item.link_id]
        self._numbers[item.link_id] += 1
        identifier = self.identity.identifier(item.link_id, number)
        content = self.head | {
            "identifier": [identifier],
            "category": list(plan.categories),
            "code": _concept(plan),
            "derivedFrom": [{"reference": self.identity.reference}],
        }
        return Draft(content, urn(identifier["value"]))

    def _link(self, draft: Draft, plan: Plan, above: Draft | None) -> None:
        if above is None or plan.relation not in ("member", "derived"):
            return
        name = "hasMember" if plan.relation == "member" else "derivedFrom"
        above.content.setdefault(name, []).append({"reference": draft.full_url})
        above.is_linked = True

    def _value(self, item: FormItem, answer: Node) -> Json | None:
        name, value = answer_value(answer)
        unit = ext.value(item.raw, ext.UNIT)
        unit = unit if isinstance(unit, dict) else None
        if name is None:
            return None
        if name == "valueCoding":
            return {"valueCodeableConcept": {"coding": [dict(value)]} | _label(item, value)}
        if name == "valueDecimal" or (name == "valueInteger" and unit is not None):
            return {"valueQuantity": {"value": _number(value)} | _unit(unit)}
        if name in _SAME:
            kept = _number(value) if is_number(value) else value
            return {_SAME[name]: dict(kept) if isinstance(kept, dict) else kept}
        text = f"{name} is no type of value that an Observation can have"
        self.issues.append(Issue("warning", "not-supported", text, answer.place or None))
        return None


def ordered(content: Json) -> Json:
    """An Observation with its elements in the order of R4."""
    names = ("resourceType", *definitions().elements("Observation"))
    return {name: content[name] for name in names if name in content}


def _concept(plan: Plan) -> Json:
    return {"coding": list(plan.codes)}


def _label(item: FormItem, value: Json) -> Json:
    """The words that a person saw: a code whose term is not known does not stand alone."""
    option = option_of(item, "valueCoding", value) or {}
    text = ext.value(option, ext.PREFIX) or dict.get(value, "display")
    return {"text": text} if isinstance(text, str) else {}


def _unit(unit: Json | None) -> Json:
    if unit is None:
        return {}
    code, system = unit.get("code"), unit.get("system", _UCUM)
    label = unit.get("display", code)
    found = {"unit": label} if label else {}
    return found | ({"system": system, "code": code} if code else {})


def _number(value: Any) -> Any:
    return int(value) if isinstance(value, int) else value
