"""How do a clinic's answers become an answered form, and what does the form score?

A clinic sends an answer by the linkId of its item: a number for a choice by its weight, or the
code, or the words. The form tells where the item stands and what type it has. Scores are those of
$extract (Structured Data Capture 4.0); without the form the answers are kept as they come.
"""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from typing import Any

from service.errors import HyoidError, Invalid
from service.intake.building import Builder
from service.intake.drafts import keys
from service.intake.places import Findings, Path
from service.standard.codec import Number, decode, encode
from service.standard.questionnaires import extract

Json = dict[str, Any]

_ORDINAL = "http://hl7.org/fhir/StructureDefinition/ordinalValue"
_TEXTS = {
    "string": "valueString",
    "text": "valueString",
    "date": "valueDate",
    "dateTime": "valueDateTime",
    "time": "valueTime",
    "url": "valueUri",
}
_MISSING = frozenset({"incomplete", "required"})


def canonical_of(scale: str) -> str:
    """The canonical URL of a questionnaire; a bare name is one of ours."""
    return scale if ":" in scale else f"https://hyoid.example/fhir/Questionnaire/{scale}"


def scales(builder: Builder) -> list[Json]:
    """The QuestionnaireResponses of a session, with the Observations scored from them."""
    found = []
    names = keys(builder.note, "scales")
    for index, item in enumerate(builder.note.get("scales", ())):
        form = builder.known.forms.get(index)
        answered = _response(builder, names[index], index, item, form)
        found.append(answered)
        if form is not None and not builder.draft.findings.refused:
            found += _scores(builder, names[index], ("scales", index), answered, form)
    return found


def _response(builder: Builder, key: str, index: int, item: Json, form: Json | None) -> Json:
    found = builder.session.start("QuestionnaireResponse", "answers", key)
    # R4 gives a QuestionnaireResponse one identifier, not a list.
    found["identifier"] = found["identifier"][0]
    if builder.known.plan:
        found["basedOn"] = [{"reference": builder.known.plan}]
    found["questionnaire"] = canonical_of(item["scale"])
    found["status"] = "completed"
    found["subject"] = builder.subject
    found["encounter"] = builder.encounter
    found["authored"] = builder.end
    if builder.known.therapist:
        found["author"] = builder.known.therapist
    findings, path = builder.draft.findings, ("scales", index)
    if form is None:
        text = f"There is no form {canonical_of(item['scale'])} here: answers kept without a score"
        findings.warning((*path, "scale"), "not-found", text)
        items = [
            {"linkId": link, "answer": [_plain(one) for one in _several(given)]}
            for link, given in sorted(item["answers"].items())
        ]
    else:
        items = _Shaping(item["answers"], findings, (*path, "answers")).shaped(form)
    return found | ({"item": items} if items else {})


class _Shaping:
    """Puts answers where the form has their items, in the type that the form has."""

    def __init__(self, answers: Json, findings: Findings, path: Path) -> None:
        self._answers = answers
        self._findings = findings
        self._path = path
        self._used: set[str] = set()

    def shaped(self, form: Json) -> list[Json]:
        found = self._items(form.get("item", []))
        for link in sorted(set(self._answers) - self._used):
            text = f"The form has no item {link!r}"
            self._findings.error((*self._path, link), "not-found", text)
        return found

    def _items(self, items: list[Json]) -> list[Json]:
        found = []
        for item in items:
            below = self._items(item.get("item", []))
            answers = self._answer(item)
            if answers and below:
                answers[0]["item"] = below
            elif below:
                found.append({"linkId": item["linkId"], "item": below})
            if answers:
                found.append({"linkId": item["linkId"], "answer": answers})
        return found

    def _answer(self, item: Json) -> list[Json]:
        link = item["linkId"]
        if link not in self._answers:
            return []
        self._used.add(link)
        found = []
        for given in _several(self._answers[link]):
            value = _typed(item, given)
            if value is None:
                shown = str(given.get("code") if isinstance(given, dict) else given)
                text = f"{shown[:60]!r} is no answer to the item {link!r} ({item['type']})"
                self._findings.error((*self._path, link), "value", text)
            else:
                found.append(value)
        return found


def _typed(item: Json, given: Any) -> Json | None:
    """The answer in the type of its item, or None where it does not fit."""
    kind = item["type"]
    if kind in ("choice", "open-choice"):
        for option in item.get("answerOption", ()):
            if _means(option, given):
                return {name: value for name, value in option.items() if name.startswith("value")}
        if isinstance(given, dict) and "answerOption" not in item:
            return {"valueCoding": given}
        return {"valueString": given} if kind == "open-choice" and isinstance(given, str) else None
    if kind == "boolean":
        return {"valueBoolean": given} if isinstance(given, bool) else None
    if isinstance(given, Number):
        if kind == "integer":
            return {"valueInteger": int(given)} if given == given.to_integral_value() else None
        return {"valueDecimal": given} if kind == "decimal" else None
    return {_TEXTS[kind]: given} if kind in _TEXTS and isinstance(given, str) else None


def _means(option: Json, given: Any) -> bool:
    """Whether an answer is this option: by its weight, its code, or its words."""
    coding = option.get("valueCoding", {})
    if isinstance(given, dict):
        return bool(coding) and coding.get("code") == given.get("code")
    if isinstance(given, Number):
        weights = [
            each["valueDecimal"]
            for holder in (option, coding)
            for each in holder.get("extension", ())
            if each.get("url") == _ORDINAL
        ]
        weights += [option["valueInteger"]] if "valueInteger" in option else []
        return any(given == Decimal(str(weight)) for weight in weights)
    words = (coding.get("code"), coding.get("display"), option.get("valueString"))
    return isinstance(given, str) and given in words


def _scores(builder: Builder, key: str, path: Path, answered: Json, form: Json) -> Iterator[Json]:
    """The Observations of $extract, with ids that follow from the session."""
    findings = builder.draft.findings
    try:
        found = extract(decode(encode(answered)), form)
    except HyoidError as error:
        _told(error, findings, path)
        return
    for issue in found.issues:
        findings.warning(path, issue.code, issue.text)
    names = {
        entry["fullUrl"]: f"Observation/{builder.session.id('Observation', f'score|{key}|{place}')}"
        for place, entry in enumerate(found.entries)
        if entry["resource"]["resourceType"] == "Observation"
    }
    for entry in found.entries:
        if entry["fullUrl"] in names:
            identity = {"id": names[entry["fullUrl"]].partition("/")[2]}
            scored = {**_renamed(entry["resource"], names), **identity}
            if builder.known.plan:
                scored.setdefault("basedOn", [{"reference": builder.known.plan}])
            yield scored


def _told(error: HyoidError, findings: Findings, path: Path) -> None:
    """Missing answers leave no score; answers that do not fit refuse the session."""
    codes = {issue.code for issue in error.issues}
    missing = isinstance(error, Invalid) and "incomplete" in codes and codes <= _MISSING
    report = findings.warning if missing or not isinstance(error, Invalid) else findings.error
    for issue in error.issues:
        report(path, issue.code, issue.text)


def _renamed(value: Any, names: dict[str, str]) -> Any:
    """With the references between the Observations as they will be."""
    if isinstance(value, dict):
        return {name: _renamed(inner, names) for name, inner in value.items()}
    if isinstance(value, list):
        return [_renamed(inner, names) for inner in value]
    return names.get(value, value) if isinstance(value, str) else value


def _several(given: Any) -> list[Any]:
    return given if isinstance(given, list) else [given]


def _plain(given: Any) -> Json:
    if isinstance(given, bool):
        return {"valueBoolean": given}
    if isinstance(given, Number):
        whole = given == given.to_integral_value() and "." not in given.literal
        return {"valueInteger": int(given)} if whole else {"valueDecimal": given}
    if isinstance(given, dict):
        return {"valueCoding": given}
    return {"valueString": str(given)}
