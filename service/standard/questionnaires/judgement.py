"""What is a score taken for, and by what was it made? For the Observation that holds it.

Interpretation and reference range come from the bands of the score, method and notes from its
formula and source (our extension `score`, mappings/profiles/score.json).
"""

from __future__ import annotations

from typing import Any

from service.standard.questionnaires.form import Form, FormItem, Json
from service.standard.questionnaires.scores import Band, Score, score_of

_INTERPRETATIONS = "http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation"
_SERVICE = {"display": "Hyoid"}


def judged(item: FormItem, value: Json) -> Json:
    """Interpretation and reference range, as far as the score has any."""
    score = score_of(item)
    if score is None:
        return {}
    found: Json = {}
    band = score.band_of(_plain(value))
    if band is not None:
        coding = {"system": _INTERPRETATIONS, "code": band.interpretation}
        coded = {"coding": [coding]} if band.interpretation else {}
        found["interpretation"] = [coded | {"text": band.text}]
    ranges = [_range(score, band, value) for band in score.bands if band.is_reference]
    return found | ({"referenceRange": ranges} if ranges else {})


def told(form: Form, item: FormItem) -> Json:
    """The words of the formula and the cautions, for what is calculated."""
    if item.formula is None:
        return {}
    score = score_of(item)
    where = f"{form.canonical}, item {item.link_id}"
    if score is None:
        return {"method": {"text": f"Calculated as {where} says"}, "device": _SERVICE}
    notes = [*score.notes, *([f"Source: {score.origin}"] if score.origin else ())]
    return {
        "method": {"text": f"{score.method} ({where})"},
        "device": _SERVICE,
    } | ({"note": [{"text": text} for text in notes]} if notes else {})


def _plain(value: Json) -> Any:
    if "valueQuantity" in value:
        return value["valueQuantity"].get("value")
    if "valueCodeableConcept" in value:
        return value["valueCodeableConcept"]["coding"][0]
    return next(iter(value.values()))


def _range(score: Score, band: Band, value: Json) -> Json:
    found: Json = {}
    quantity = value.get("valueQuantity") or {}
    unit = {name: quantity[name] for name in ("unit", "system", "code") if name in quantity}
    for name, limit in (("low", band.low), ("high", band.high)):
        if limit is not None:
            found[name] = {"value": limit} | unit
    origin = f". Source: {score.origin}" if score.origin else ""
    return found | {"text": f"{band.text}{origin}"}
