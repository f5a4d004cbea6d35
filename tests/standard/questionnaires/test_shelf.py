"""Our forms themselves: valid, complete, a source for everything, and no words of others."""

from __future__ import annotations

import json
from collections.abc import Iterator
from itertools import pairwise
from typing import Any

import pytest

from service.data import mappings
from service.standard.profiles import validate
from service.standard.questionnaires import extensions as ext
from service.standard.questionnaires import find
from service.standard.questionnaires.form import read_form
from service.standard.questionnaires.plans import plan_of
from service.standard.questionnaires.scores import score_of
from service.standard.questionnaires.shelf import built_in

OWN = "https://hyoid.example/fhir/CodeSystem/"
FORMS = sorted(built_in())


def concepts(name: str) -> dict[str, Any]:
    content = json.loads(mappings("code-systems", f"{name}.json").read_bytes())
    return {concept["code"]: concept for concept in content["concept"]}


def codings(element: Any) -> Iterator[dict[str, Any]]:
    if isinstance(element, dict):
        if "system" in element and "code" in element:
            yield element
        for value in element.values():
            yield from codings(value)
    elif isinstance(element, list):
        for value in element:
            yield from codings(value)


@pytest.mark.parametrize("url", FORMS)
def test_is_valid_r4_and_keeps_to_our_extensions(url: str) -> None:
    issues = [i for i in validate(built_in()[url]) if i.severity not in ("warning", "information")]
    assert not issues


@pytest.mark.parametrize("url", FORMS)
def test_its_codes_of_ours_exist_with_that_display(url: str) -> None:
    for coding in codings(built_in()[url]):
        if coding["system"].startswith(OWN):
            known = concepts(coding["system"].removeprefix(OWN))
            display = coding.get("display", known[coding["code"]]["display"])
            assert display == known[coding["code"]]["display"]


@pytest.mark.parametrize("url", FORMS)
def test_what_is_extracted_has_the_unit_and_the_ends_of_its_measure(url: str) -> None:
    questionnaire = read_form(built_in()[url])
    measures = concepts("measure")
    extracted = [
        (item, plan)
        for item in questionnaire.by_link.values()
        if (plan := plan_of(questionnaire, item))
    ]
    assert extracted
    for item, plan in extracted:
        (code,) = [c["code"] for c in plan.codes if c["system"] == OWN + "measure"]
        told = {
            p["code"]: next(v for k, v in p.items() if k.startswith("value"))
            for p in measures[code]["property"]
        }
        unit = ext.value(item.raw, ext.UNIT)
        if item.type in ("integer", "decimal"):
            assert unit["code"] == told["unit"]
        for name, end in (("minimum", ext.MINIMUM), ("maximum", ext.MAXIMUM)):
            limit = ext.value(item.raw, end)
            if limit is not None:
                assert limit == told[name]


@pytest.mark.parametrize("url", FORMS)
def test_every_score_says_where_it_comes_from(url: str) -> None:
    questionnaire = read_form(built_in()[url])
    for item in questionnaire.calculated:
        assert item.read_only
        score = score_of(item)
        if score is None:
            continue
        assert score.source
        assert score.status in ("verified", "second-hand", "memory", "own")
        assert score.rule in ("all", "formula")
        assert score.inputs
        assert all(link in questionnaire.by_link for link in score.inputs)


@pytest.mark.parametrize("url", FORMS)
def test_bands_neither_overlap_nor_leave_a_gap(url: str) -> None:
    questionnaire = read_form(built_in()[url])
    for item in questionnaire.calculated:
        score = score_of(item)
        bands = [band for band in score.bands if band.code is None] if score else []
        for lower, upper in pairwise(bands):
            end = lower.below if lower.below is not None else lower.high
            assert end is not None
            step = 1 if lower.below is None else 0
            assert item.type == "integer" or step == 0
            assert upper.low == end + step
        if bands:
            assert bands[0].low == ext.value(item.raw, ext.MINIMUM)
            assert bands[-1].high == ext.value(item.raw, ext.MAXIMUM)


def test_licensed_items_are_numbered_and_not_worded() -> None:
    for name in (
        "eating-assessment-10",
        "voice-handicap-10",
        "swallowing-quality-of-life",
        "dysphagia-inventory",
    ):
        questionnaire = read_form(built_in()[f"https://hyoid.example/fhir/Questionnaire/{name}"])
        questions = [item for top in questionnaire.items for item in top.questions()]
        assert questions
        for question in questions:
            assert len(question.raw["text"].split()) <= 5
            assert question.raw["text"].startswith(("Item ", "The global item"))


def test_nothing_says_that_all_is_well() -> None:
    for url in FORMS:
        text = json.dumps(built_in()[url], default=str).lower()
        assert " safe" not in text
        assert "normal swallow" not in text


def test_a_form_is_found_by_url_and_version() -> None:
    url = FORMS[0]
    assert find(url) is find(f"{url}|{built_in()[url]['version']}") is built_in()[url]
    assert find(f"{url}|9") is None
    assert find("https://elsewhere.example/form") is None
