"""Hierarchies, properties, status. Outside source: CodeSystems of hl7.fhir.r4.core 4.0.1."""

from __future__ import annotations

from service.standard.terminology.code_systems import read_code_system
from tests.official import package
from tests.standard.terminology.made import code_system, concept, tree


def test_below_and_above_follow_the_nesting() -> None:
    """Source: CodeSystem v3-ActMood, as nested in its file."""
    moods = read_code_system(package()["CodeSystem-v3-ActMood"])
    assert list(moods.below("EXPEC")) == ["GOL", "RSK"]
    assert list(moods.above("ARQ")) == [
        "_ActMoodActRequest",
        "_ActMoodDesire",
        "INT",
        "_ActMoodCompletionTrack",
    ]
    assert moods.concepts["_ActMoodPredicate"].abstract
    assert moods.concepts["GOL.CRT"].inactive
    assert not moods.concepts["CRT"].inactive


def test_a_property_child_makes_a_second_parent() -> None:
    """Source: the HL7 v3 code systems that use http://hl7.org/fhir/concept-properties#child."""
    checked = 0
    for name, raw in package().items():
        if not name.startswith("CodeSystem-v3-"):
            continue
        system = read_code_system(raw)
        for each in system.concepts.values():
            for child in each.values("child"):
                assert each.code in system.concepts[child].parents
                assert child in system.below(each.code)
                checked += 1
    assert checked > 300


def test_flat_systems_may_name_their_parents() -> None:
    flat = code_system(
        concept("tongue"),
        {"code": "tip", "property": [{"code": "parent", "valueCode": "tongue"}]},
        {"code": "apex", "property": [{"code": "oben", "valueCode": "tip"}]},
        property=[
            {"code": "parent", "type": "code"},
            {
                "code": "oben",
                "type": "code",
                "uri": "http://hl7.org/fhir/concept-properties#parent",
            },
        ],
    )
    assert list(read_code_system(flat).below("tongue")) == ["tip", "apex"]


def test_circles_end() -> None:
    ring = code_system(
        {"code": "a", "property": [{"code": "parent", "valueCode": "b"}]},
        {"code": "b", "property": [{"code": "parent", "valueCode": "a"}]},
    )
    system = read_code_system(ring)
    assert list(system.below("a")) == ["b"]
    assert list(system.above("a")) == ["b"]


def test_case_matters_unless_the_system_says_not() -> None:
    assert read_code_system(tree()).find("HOLD") is None
    lenient = read_code_system(tree(caseSensitive=False))
    found = lenient.find("HOLD")
    assert found is not None
    assert found.code == "hold"


def test_only_complete_systems_are_whole() -> None:
    assert read_code_system(tree()).is_whole
    for content in ("fragment", "example", "not-present", "supplement"):
        assert not read_code_system(tree(content=content)).is_whole


def test_parts_of_a_whole_are_no_kinds_of_it() -> None:
    """Source: CodeSystem hierarchyMeaning of R4: part-of and grouped-by are not is-a."""
    for meaning in ("part-of", "grouped-by"):
        assert not read_code_system(tree(hierarchyMeaning=meaning)).subsumes
    for meaning in ("is-a", "classified-with"):
        assert read_code_system(tree(hierarchyMeaning=meaning)).subsumes
    assert read_code_system(tree()).subsumes
