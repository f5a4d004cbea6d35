"""The text of a document, made from resources alone: no store, no HTTP.

Outside source: R4's narrative rules by our validation (itself tested against the package); lxml
reads what was written back.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import date
from typing import Any

import pytest
from lxml import etree

from service.handover.care_document.composition import composition, content, lineage, sections
from service.handover.care_document.material import KINDS, Material
from service.standard.validation import validate
from service.therapy.course.course import Material as CourseMaterial
from service.therapy.course.course import Question, read_course
from service.therapy.progress.answer import progress_of
from tests.factories.care import HOSTILE, case

Resource = dict[str, Any]
TODAY = date(2026, 5, 4).toordinal()
NAMES = {"Practitioner/p-therapist": "Ada Okoro", "Organization/p-house": "An invented clinic"}
ALLOWED = {"div", "p", "b", "ul", "li", "table", "caption", "thead", "tbody", "tr", "th", "td"}


def _same(number: float, unit: str, wanted: str) -> float | None:
    return number if unit == wanted else None


def material(resources: Iterable[Resource], today: int = TODAY) -> Material:
    of: dict[str, list[Resource]] = {}
    for resource in resources:
        of.setdefault(resource["resourceType"], []).append(resource)
    plan = of["CarePlan"][0]
    known = CourseMaterial(
        plan,
        of["CarePlan"],
        of.get("ServiceRequest", []),
        of.get("Procedure", []),
        of.get("Goal", []),
        of.get("Flag", []),
        of.get("DetectedIssue", []),
    )
    pairs = ((one, one) for one in of.get("Observation", []))
    course = read_course(known, Question(today), pairs, _same)
    progress = progress_of(course, _same, of["Patient"][0])
    return Material(
        progress,
        of["Patient"][0],
        {kind: of.get(kind, []) for kind in KINDS},
        NAMES,
        (),
        "Organization/p-house",
    )


def written(made: Material) -> Resource:
    found = sections(made)
    known = frozenset(name for section in found for name in section.entries)
    return composition(made, found, known, "2026-05-04T10:00:00+00:00", "1")


def told(resource: Resource) -> str:
    divs = [resource["text"]["div"], *(s["text"]["div"] for s in resource["section"])]
    return " ".join(" ".join("".join(etree.fromstring(div).itertext()).split()) for div in divs)


def test_same_resources_same_text() -> None:
    assert written(material(case("p"))) == written(material(case("p")))


def test_entry_that_does_not_come_along_is_told() -> None:
    made = material(case("p"))
    section = sections(made)[1]
    assert section.as_fhir(frozenset(section.entries))["entry"]
    bare = section.as_fhir(frozenset())
    assert "entry" not in bare
    assert "Left out of this document: 1 resources" in bare["text"]["div"]


@pytest.mark.parametrize("words", [HOSTILE, "&nbsp;", "]]>", "\u202e\u0000", "x" * 3000, "'\"<a>"])
def test_hostile_words_anywhere_stay_words(words: str) -> None:
    spoilt = [_with_words(resource, words) for resource in case("p")]
    resource = written(material(spoilt))
    issues = [i.text for i in validate(resource) if i.severity == "error" and "arrative" in i.text]
    assert issues == []
    for holder in (resource, *resource["section"]):
        root = etree.fromstring(holder["text"]["div"])
        assert {etree.QName(node).localname for node in root.iter()} <= ALLOWED
    if words == HOSTILE:
        assert told(resource).count(HOSTILE) > 10


def _with_words(value: Any, words: str, name: str = "") -> Any:
    if isinstance(value, dict):
        return {key: _with_words(one, words, key) for key, one in value.items()}
    if isinstance(value, list):
        return [_with_words(one, words, name) for one in value]
    spoilt = {"text", "display", "title", "description", "instruction", "family", "given", "name"}
    return words if name in spoilt else value


Change = Callable[[Resource], Resource | None]


def _changed(kind: str, change: Change) -> list[Resource]:
    found = (change(r) if r["resourceType"] == kind else r for r in case("p"))
    return [resource for resource in found if resource is not None]


@pytest.mark.parametrize(
    ("kind", "change", "expected", "absent"),
    [
        ("AllergyIntolerance", lambda r: None, "No allergy or intolerance is recorded", "Citrus"),
        ("Flag", lambda r: r | {"status": "inactive"}, "Citrus fruit", "Coughs"),
        ("NutritionOrder", lambda r: r | {"status": "completed"}, "Citrus", "Minced"),
        (
            "Appointment",
            lambda r: r | {"status": "cancelled"},
            "is ordered until 25 May 2026",
            "Next visit",
        ),
        ("Condition", lambda r: None, "No problem is recorded", "Swallowing difficulty"),
        ("Goal", lambda r: None, "No goal is recorded", "3.0 s or less"),
        ("Observation", lambda r: None, "Nothing that was measured bears", "improving"),
        ("CarePlan", lambda r: r | {"note": []}, "Techniques ordered now", "Keep the dose"),
    ],
)
def test_what_is_not_there_is_not_told(
    kind: str, change: Change, expected: str, absent: str
) -> None:
    text = told(written(material(_changed(kind, change))))
    assert expected in text
    assert absent not in text
    assert absent in told(written(material(case("p"))))


def test_type_follows_from_the_plans() -> None:
    done = _changed("CarePlan", lambda r: r | {"status": "completed"})
    other = {**done[[r["resourceType"] for r in done].index("CarePlan")], "id": "q"}
    types = {
        name: written(material(resources))["type"]["coding"][0]["code"]
        for name, resources in (
            ("active", list(case("p"))),
            ("done", done),
            ("another runs", [*done, other | {"status": "active"}]),
        )
    }
    assert types == {"active": "11512-1", "done": "68841-6", "another runs": "11512-1"}


def test_content_is_what_attesting_does_not_change() -> None:
    draft = written(material(case("p")))
    signed = draft | {"status": "final", "attester": [{"mode": "legal"}], "id": "x", "meta": {}}
    assert content(signed) == content(draft)
    assert content(draft | {"title": "other"}) != content(draft)


def test_lineage_follows_from_what_was_asked() -> None:
    made = material(case("p"))
    assert lineage(made, 0) == lineage(material(case("p")), 0)
    assert len({lineage(made, number) for number in range(5)}) == 5


def test_nothing_is_said_to_be_safe() -> None:
    text = told(written(material(case("p")))).lower()
    for word in ("safe to", "is safe", "no risk", "without risk"):
        assert word not in text
    assert "licensed therapist" in text
