"""What is known about a score: its formula in words, its inputs, its rule for missing answers,
its bands, and who says so?

Our extension `score` on a calculated item (mappings/profiles/score.json). A fact about an
instrument is decided there once, with its reason and whether it was seen in the source; the code
knows no instrument.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from service.standard.questionnaires import extensions as ext
from service.standard.questionnaires.form import Form, FormItem
from service.standard.questionnaires.weights import answer_value, weight_of
from service.standard.questionnaires.working import Node, Unweighable
from service.standard.validation.fhirpath.json_values import is_number

_TOLD = {
    "verified": "seen in the source",
    "second-hand": "seen in a work that quotes the source",
    "memory": "from memory, not checked in the source",
    "own": "our own convention",
}


@dataclass(frozen=True, slots=True)
class Band:
    """A range of a score, or one coded result, and what it is taken for.

    `low` and `high` belong to it, `below` does not. `is_reference`: what lies in it is within
    the published limit.
    """

    low: Decimal | None
    high: Decimal | None
    below: Decimal | None
    code: str | None
    interpretation: str | None
    text: str
    is_reference: bool

    def holds(self, value: Any) -> bool:
        """Whether a number, or a Coding, lies in the band."""
        if isinstance(value, dict):
            return self.code is not None and dict.get(value, "code") == self.code
        if not is_number(value) or self.code is not None:
            return False
        return (
            (self.low is None or value >= self.low)
            and (self.high is None or value <= self.high)
            and (self.below is None or value < self.below)
        )


@dataclass(frozen=True, slots=True)
class Score:
    """`rule` says what missing answers do: `all` must be there, or the `formula` decides."""

    item: FormItem
    method: str
    inputs: tuple[str, ...]
    rule: str
    rule_reason: str | None
    source: str | None
    status: str | None
    notes: tuple[str, ...]
    bands: tuple[Band, ...]

    def band_of(self, value: Any) -> Band | None:
        """The band that a value lies in."""
        return next((band for band in self.bands if band.holds(value)), None)

    @property
    def origin(self) -> str | None:
        """The source, and how well it is known."""
        if self.source is None:
            return None
        told = _TOLD.get(self.status or "")
        return f"{self.source} ({told})" if told else self.source


def score_of(item: FormItem) -> Score | None:
    """What is known about the score that this item is, or None."""
    found = next(ext.extensions(item.raw, ext.SCORE), None)
    if found is None:
        return None
    return Score(
        item,
        str(ext.part(found, "method")),
        tuple(_texts(found, "input")),
        _text(found, "missing") or "formula",
        _text(found, "missingReason"),
        _text(found, "source"),
        _text(found, "status"),
        tuple(_texts(found, "note")),
        tuple(_band(each) for each in ext.extensions(found, "band")),
    )


def _band(extension: Any) -> Band:
    return Band(
        _number(extension, "low"),
        _number(extension, "high"),
        _number(extension, "below"),
        _text(extension, "code"),
        _text(extension, "interpretation"),
        str(ext.part(extension, "text")),
        ext.part(extension, "reference") is True,
    )


def _texts(extension: Any, name: str) -> list[str]:
    return [value for value in ext.parts(extension, name) if isinstance(value, str)]


def _text(extension: Any, name: str) -> str | None:
    return next(iter(_texts(extension, name)), None)


def _number(extension: Any, name: str) -> Any:
    value = ext.part(extension, name)
    return value if is_number(value) else None


@dataclass(frozen=True, slots=True)
class Gap:
    """A question without an answer to compute with, and where the answer would stand."""

    item: FormItem
    place: str


def gaps_of(score: Score, form: Form, root: Node, disabled: set[str]) -> list[Gap]:
    """Inputs of the score that were asked and have no answer to compute with."""
    found: list[Gap] = []
    for link in score.inputs:
        for question in form.by_link[link].questions() if link in form.by_link else ():
            if not any(item.link_id in disabled for item in question.lineage()):
                found += gaps_in(form, root, question)
    return found


def gaps_in(form: Form, root: Node, question: FormItem) -> Iterator[Gap]:
    """Where an answer to this question is missing, in every repetition of its groups."""
    lineage = list(question.lineage())[::-1]
    return _gaps(form, root, root.place, lineage)


def _gaps(form: Form, container: Node, place: str, lineage: list[FormItem]) -> Iterator[Gap]:
    item, *inner = lineage
    container.budget.spend(len(container.bare("item") or ()) + 1)
    given = [each for each in container.bare("item") or () if each["linkId"] == item.link_id]
    if not given:
        steps = "".join(f".item.where(linkId = '{each.link_id}')" for each in lineage)
        yield Gap(lineage[-1], place + steps)
    for each in given:
        at = each.place or f"{place}.item.where(linkId = '{item.link_id}')"
        if not inner:
            if not any(_counts(form, item, answer) for answer in each.bare("answer") or ()):
                yield Gap(item, at)
        elif item.is_question:
            for answer in each.bare("answer") or ():
                yield from _gaps(form, answer, answer.place or at, inner)
        else:
            yield from _gaps(form, each, at, inner)


def _counts(form: Form, item: FormItem, answer: Node) -> bool:
    """An answer without a weight (`not tested`) counts for nothing where others have one."""
    name, value = answer_value(answer)
    if name is None:
        return False
    has_weights = any(option_weight(form, item, option) is not None for option in item.options)
    if not has_weights or isinstance(value, Unweighable):
        return True
    return weight_of(form, item, answer) is not None


def option_weight(form: Form, item: FormItem, option: dict[str, Any]) -> Decimal | None:
    """The weight of an option of the form."""
    return weight_of(form, item, option)
