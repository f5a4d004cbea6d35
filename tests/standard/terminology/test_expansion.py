"""$expand. Outside sources: the expansions in hl7.fhir.r4.core 4.0.1, the codes in HL7's JSON
schema of R4, the models of fhir.resources, OperationDefinition ValueSet-expand.
"""

from __future__ import annotations

from typing import Any

import pytest
from fhir.resources.R4B import get_fhir_model_class

from service.errors import HyoidError, Invalid, NotFound, TooCostly
from service.standard.definitions import definitions
from service.standard.registry import RESOURCE_TYPES
from service.standard.terminology import expansion, members
from service.standard.terminology.expansion import Wishes, expand
from service.standard.terminology.for_search import Expander
from service.standard.terminology.library import Library, SystemVersions
from service.standard.terminology.membership import find_code
from service.standard.terminology.refusals import NotUnderstood
from service.standard.terminology.shipped import Shelf, shipped
from service.standard.validation import validate
from tests.official import json_schema, package, resources
from tests.standard.terminology.made import (
    SETS,
    SWALLOW,
    Resource,
    listed,
    rule,
    shelf,
    tree,
    value_set,
)

AS_IT_IS = {"identifier": "urn:uuid:0", "timestamp": "2026-11-25T10:00:00Z"}


def expanded(library: Library, url: str, **wishes: Any) -> Resource:
    found = library.value_set(url)
    assert found is not None
    return expand(found, library, Wishes(**wishes), **AS_IT_IS)


def codes(resource: Resource) -> list[str]:
    return [entry["code"] for entry in resource["expansion"].get("contains", ())]


def of_tree(*include: Resource, exclude: list[Resource] | None = None, **wishes: Any) -> list[str]:
    library = shelf(value_set("x", *include, exclude=exclude))
    return codes(expanded(library, f"{SETS}x", **wishes))


def official() -> Shelf:
    return Shelf([*resources("CodeSystem"), *resources("ValueSet")])


# What HL7 expanded


def test_yesnodontknow_is_expanded_as_published() -> None:
    """Source: ValueSet yesnodontknow, whose expansion is in the package: a nested value set and a
    code with a display of its own."""
    published = package()["ValueSet-yesnodontknow"]["expansion"]["contains"]
    made = expanded(official(), "http://hl7.org/fhir/ValueSet/yesnodontknow")
    in_order = sorted(made["expansion"]["contains"], key=lambda entry: entry["code"])
    assert in_order == sorted(published, key=lambda entry: entry["code"])


def test_inactive_is_nested_as_published() -> None:
    """Source: ValueSet inactive. Its expansion of 2017 shows CRT as inactive and nothing below it;
    the code system of the same package has CRT as deprecated only, and codes below it."""
    published = package()["ValueSet-inactive"]["expansion"]["contains"]
    made = expanded(official(), "http://hl7.org/fhir/ValueSet/inactive", exclude_nested=False)
    contains = made["expansion"]["contains"]
    assert [entry["code"] for entry in contains] == [entry["code"] for entry in published]
    assert [_outline(e) for e in contains[1:]] == [_outline(e) for e in published[1:]]
    below = {entry["code"]: entry for entry in contains[0]["contains"]}
    assert below["GOL.CRT"]["inactive"]


def _outline(entry: Resource) -> Any:
    """Codes alone: displays have changed since (`goal`, now `Goal`)."""
    return entry["code"], [_outline(inner) for inner in entry.get("contains", ())]


def test_an_expansion_without_definition_is_the_value_set() -> None:
    """Source: ValueSet example-expansion: eight codes under groups that are none."""
    raw = dict(package()["ValueSet-example-expansion"])
    del raw["compose"]
    made = expanded(Shelf([raw]), raw["url"])
    assert len(codes(made)) == raw["expansion"]["total"] == 8
    assert codes(made)[0] == "14647-2"


def test_extensional_lists_keep_their_words() -> None:
    """Source: ValueSet example-extensional; LOINC itself is not held."""
    raw = package()["ValueSet-example-extensional"]
    wanted = raw["compose"]["include"][0]["concept"]
    made = expanded(Shelf([raw]), raw["url"])
    assert [(e["code"], e["display"]) for e in made["expansion"]["contains"]] == [
        (each["code"], each["display"]) for each in wanted
    ]


def enumerated() -> dict[str, tuple[str, set[str]]]:
    """Value set and codes of the elements that HL7's JSON schema lists the codes of."""
    schema, found = json_schema(), {}
    for kind in RESOURCE_TYPES:
        for name, element in definitions().elements(kind).items():
            said = schema[kind]["properties"].get(name, {})
            said = said.get("items", said)
            if element.binding and "enum" in said:
                found[f"{kind}.{name}"] = (element.binding, set(said["enum"]))
    return found


def test_required_value_sets_have_the_codes_of_the_json_schema() -> None:
    """Source: `enum` in HL7's JSON schema of R4."""
    listed_codes = enumerated()
    assert len(listed_codes) > 30
    # 3.0.2 came later than CodeSystem FHIR-version of the package.
    del listed_codes["StructureDefinition.fhirVersion"]
    for name, (url, wanted) in listed_codes.items():
        assert set(codes(expanded(shipped(), url, exclude_not_for_ui=True))) == wanted, name


def test_required_value_sets_have_the_codes_of_other_models() -> None:
    """Source: `enum_values` of fhir.resources R4B, generated by others from HL7's definitions."""
    compared = 0
    for kind in RESOURCE_TYPES:
        model = get_fhir_model_class(kind)
        for name, element in definitions().elements(kind).items():
            field = model.model_fields.get(name)
            extra = field.json_schema_extra if field is not None else None
            wanted = extra.get("enum_values") if isinstance(extra, dict) else None
            if not element.binding or not wanted or element.type != "code":
                continue
            found = codes(expanded(shipped(), element.binding, exclude_not_for_ui=True))
            # "+" is how the page of the standard says that there are more.
            assert set(wanted) - {"+"} <= set(found), (kind, name)
            compared += 1
    assert compared > 30


def test_every_shipped_value_set_expands_or_says_why_not() -> None:
    """Source: CodeSystem.content and the systems of the package: these need a system that is not
    in it, or is there as an example only, or in another version than is asked for."""
    refused = {}
    for raw in shipped().resources("ValueSet"):
        try:
            made = expanded(shipped(), raw["url"])
        except HyoidError as error:
            refused[raw["url"].rpartition("/")[2]] = type(error)
        else:
            assert made["expansion"]["total"] > 0, raw["url"]
    assert refused == dict.fromkeys(
        (
            "appointment-cancellation-reason",
            "currencies",
            "mimetypes",
            "service-category",
            "service-type",
            "task-code",
        ),
        NotUnderstood,
    )


# Composition


def test_includes_are_joined_and_excludes_taken_out() -> None:
    assert of_tree(rule("is-a", "oral"), listed("yawn")) == ["oral", "hold", "push", "yawn"]
    assert of_tree({"system": SWALLOW}, exclude=[rule("is-a", "oral")]) == [
        "swallow",
        "pharyngeal",
        "yawn",
    ]
    assert of_tree({"system": SWALLOW}, exclude=[listed("swallow", "yawn")]) == [
        "oral",
        "hold",
        "push",
        "pharyngeal",
    ]
    assert of_tree(listed("hold"), exclude=[{"system": SWALLOW}]) == []


def test_within_an_include_everything_has_to_hold() -> None:
    """Source: R4, valueset.html, Composition Rules."""
    both = {
        "system": SWALLOW,
        "filter": [
            {"property": "concept", "op": "is-a", "value": "swallow"},
            {"property": "stage", "op": "exists", "value": "true"},
        ],
    }
    assert of_tree(both) == ["hold", "pharyngeal"]
    library = shelf(
        value_set("oral", rule("is-a", "oral")),
        value_set("p", rule("regex", "p.*", "code")),
        value_set("x", {"valueSet": [f"{SETS}oral", f"{SETS}p"]}),
        value_set("y", {"system": SWALLOW, "valueSet": [f"{SETS}p|1"]}),
        value_set("z", {"system": SWALLOW, "valueSet": [f"{SETS}oral", f"{SETS}p"]}),
    )
    assert codes(expanded(library, f"{SETS}z")) == ["push"]
    assert codes(expanded(library, f"{SETS}x")) == ["push"]
    assert codes(expanded(library, f"{SETS}y")) == ["push", "pharyngeal"]


def test_the_own_words_of_a_value_set_come_first() -> None:
    named = {"system": SWALLOW, "concept": [{"code": "hold", "display": "Holding"}]}
    made = expanded(shelf(value_set("x", named)), f"{SETS}x")
    assert made["expansion"]["contains"][0]["display"] == "Holding"


def test_codes_that_the_system_does_not_have_are_left_out_and_told() -> None:
    made = expanded(shelf(value_set("x", listed("hold", "cough"))), f"{SETS}x")
    assert codes(made) == ["hold"]
    told = [p["valueString"] for p in made["expansion"]["parameter"] if p["name"] == "warning"]
    assert len(told) == 1
    assert "cough" in told[0]


def test_inactive_codes_stay_unless_the_value_set_or_the_asker_says_no() -> None:
    """Source: ValueSet.compose.inactive, and `activeOnly` of the operation."""
    assert "yawn" in of_tree({"system": SWALLOW})
    assert "yawn" not in of_tree({"system": SWALLOW}, active_only=True)
    for said in (True, False):
        library = shelf(value_set("x", {"system": SWALLOW}, inactive=said))
        assert ("yawn" in codes(expanded(library, f"{SETS}x"))) is said
        assert "yawn" not in codes(expanded(library, f"{SETS}x", active_only=True))


def test_grouping_codes_are_marked_and_may_be_left_out() -> None:
    made = expanded(shelf(value_set("x", rule("is-a", "oral"))), f"{SETS}x")
    assert [e.get("abstract", False) for e in made["expansion"]["contains"]] == [True, False, False]
    assert of_tree(rule("is-a", "oral"), exclude_not_for_ui=True) == ["hold", "push"]


def test_nested_codes_stand_below_the_nearest_that_is_there() -> None:
    library = shelf(value_set("x", rule("in", "swallow,hold,pharyngeal,yawn", "code")))
    made = expanded(library, f"{SETS}x", exclude_nested=False)
    top = made["expansion"]["contains"]
    assert [e["code"] for e in top] == ["swallow", "yawn"]
    assert [e["code"] for e in top[0]["contains"]] == ["hold", "pharyngeal"]
    assert made["expansion"]["total"] == 4


# Shape of the answer


def test_pages_of_a_flat_expansion_join_up() -> None:
    whole = of_tree({"system": SWALLOW})
    paged = [of_tree({"system": SWALLOW}, offset=n, count=2) for n in (0, 2, 4)]
    assert [code for page in paged for code in page] == whole
    assert of_tree({"system": SWALLOW}, offset=100, count=2) == []


def test_count_zero_asks_for_the_total_only() -> None:
    for nested in (None, False):
        library = shelf(value_set("x", {"system": SWALLOW}))
        made = expanded(library, f"{SETS}x", count=0, exclude_nested=nested)
        assert made["expansion"]["total"] == 6
        assert "contains" not in made["expansion"]


def test_paging_is_left_aside_where_codes_are_nested() -> None:
    """Source: the operation: "servers ignore paging if the expansion is not flat"."""
    library = shelf(value_set("x", {"system": SWALLOW}))
    made = expanded(library, f"{SETS}x", count=1, offset=3, exclude_nested=False)
    assert [e["code"] for e in made["expansion"]["contains"]] == ["swallow", "yawn"]
    assert "offset" not in made["expansion"]


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("hol", ["hold"]),
        ("THE PU", ["push"]),
        ("pha", ["pharyngeal"]),
        ("old", []),
        ("the", ["swallow", "oral", "hold", "push", "pharyngeal", "yawn"]),
        ("schlück", ["hold"]),
        ("schluck", ["hold"]),
    ],
)
def test_filter_meets_the_beginning_of_every_word(text: str, found: list[str]) -> None:
    raw = tree()
    raw["concept"][0]["concept"][0]["concept"][0]["designation"] = [
        {"language": "de", "value": "Schlücken"}
    ]
    library = Shelf([raw, value_set("x", {"system": SWALLOW})])
    assert codes(expanded(library, f"{SETS}x", filter=text)) == found


def test_languages_and_designations() -> None:
    raw = tree()
    words = [
        {"language": "de", "value": "halten"},
        {"language": "de-AT", "value": "hoidn"},
        {"use": {"system": "urn:uses", "code": "short"}, "value": "H"},
    ]
    raw["concept"][0]["concept"][0]["concept"][0]["designation"] = words
    library = Shelf([raw, value_set("x", listed("hold", "push"))])

    def first(**wishes: Any) -> Resource:
        entry: Resource = expanded(library, f"{SETS}x", **wishes)["expansion"]["contains"][0]
        return entry

    assert first(display_language="de")["display"] == "halten"
    assert first(display_language="de-AT")["display"] == "hoidn"
    assert first(display_language="de-CH")["display"] == "halten"
    assert first(display_language="fr")["display"] == "The hold"
    assert "designation" not in first()
    assert first(include_designations=True)["designation"] == words
    assert first(designation=["de-AT"])["designation"] == words[:2]
    assert first(designation=["urn:uses|short"])["designation"] == words[2:]


def test_what_shaped_the_answer_is_recorded() -> None:
    """Source: "SHOULD ensure that all the parameters that affect the contents are recorded"."""
    library = shelf(value_set("x", {"system": SWALLOW}))
    made = expanded(library, f"{SETS}x", filter="h", count=1, active_only=True)
    told = {p["name"]: p for p in made["expansion"]["parameter"]}
    assert told["filter"]["valueString"] == "h"
    assert told["count"]["valueInteger"] == 1
    assert told["activeOnly"]["valueBoolean"] is True
    assert told["version"]["valueUri"] == f"{SWALLOW}|1"
    assert made["expansion"]["identifier"] == "urn:uuid:0"
    assert [i for i in validate(made) if i.severity == "error"] == []


def test_the_definition_comes_along_where_wished() -> None:
    library = shelf(value_set("x", {"system": SWALLOW}))
    assert "compose" not in expanded(library, f"{SETS}x")
    assert "compose" in expanded(library, f"{SETS}x", include_definition=True)


# Refusals


def test_what_is_not_held_is_refused() -> None:
    elsewhere = {"system": "http://snomed.info/sct"}
    with pytest.raises(NotUnderstood):
        of_tree(elsewhere)
    with pytest.raises(NotFound):
        of_tree({"valueSet": [f"{SETS}nowhere"]})
    with pytest.raises(NotUnderstood):
        of_tree({"system": SWALLOW, "version": "2"})
    assert of_tree(listed("40739000", system=elsewhere["system"])) == ["40739000"]


def test_systems_held_in_part_are_not_expanded() -> None:
    """Source: the operation: incomplete definitions SHALL be an error."""
    for content in ("fragment", "example", "not-present"):
        library = Shelf([tree(content=content), value_set("x", {"system": SWALLOW})])
        with pytest.raises(NotUnderstood):
            expanded(library, f"{SETS}x")


def test_a_value_set_in_itself_is_refused() -> None:
    library = shelf(
        value_set("x", {"valueSet": [f"{SETS}y"]}), value_set("y", {"valueSet": [f"{SETS}x"]})
    )
    with pytest.raises(Invalid, match="includes itself"):
        expanded(library, f"{SETS}x")


def test_value_sets_within_value_sets_are_looked_into_once() -> None:
    """Without that, twelve levels of twelve includes each are 12 ** 12 steps."""
    levels = [
        value_set(f"l{n}", *({"valueSet": [f"{SETS}l{n + 1}"]} for _ in range(12)))
        for n in range(12)
    ]
    library = shelf(*levels, value_set("l12", listed("hold"), exclude=[listed("hold")]))
    assert codes(expanded(library, f"{SETS}l0")) == []
    found = library.value_set(f"{SETS}l0")
    assert found is not None
    assert find_code(found, SWALLOW, "hold", library) is None
    unheld = {"system": "urn:none", "filter": [{"property": "a", "op": "=", "value": "b"}]}
    library = shelf(*levels, value_set("l12", unheld))
    found = library.value_set(f"{SETS}l0")
    assert found is not None
    with pytest.raises(NotUnderstood):
        find_code(found, "urn:none", "x", library)


def test_too_many_codes_are_too_costly(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(expansion, "MOST_AT_ONCE", 3)
    with pytest.raises(TooCostly):
        of_tree({"system": SWALLOW})
    assert len(of_tree({"system": SWALLOW}, count=3)) == 3
    evaluation = members.Evaluation(shelf(), most=5)
    found = shelf(value_set("x", {"system": SWALLOW})).value_set(f"{SETS}x")
    assert found is not None
    with pytest.raises(TooCostly):
        evaluation.members(found)


def test_versions_of_systems() -> None:
    """Source: parameters system-version, check-system-version, force-system-version."""
    newer = tree(version="2")
    newer["concept"] = newer["concept"][1:]
    library = Shelf(
        [
            tree(),
            newer,
            value_set("any", {"system": SWALLOW}),
            value_set("one", {"system": SWALLOW, "version": "1"}),
        ]
    )

    def total(name: str, **versions: list[str]) -> int:
        made = expanded(library, SETS + name, versions=SystemVersions(**versions))
        found: int = made["expansion"]["total"]
        return found

    assert total("any") == 1
    assert total("one") == 6
    assert total("any", default=[f"{SWALLOW}|1"]) == 6
    assert total("one", default=[f"{SWALLOW}|2"]) == 6
    assert total("one", force=[f"{SWALLOW}|2"]) == 1
    assert total("one", check=[f"{SWALLOW}|1"]) == 6
    with pytest.raises(Invalid):
        total("one", check=[f"{SWALLOW}|2"])


def test_systems_may_be_left_out() -> None:
    assert of_tree({"system": SWALLOW}, listed("1", system="urn:x"), exclude_system=[SWALLOW]) == [
        "1"
    ]


def test_all_of_a_system_is_a_value_set_under_the_name_it_says() -> None:
    """Source: CodeSystem.valueSet, "canonical reference to the value set with the entire code
    system"."""
    library = Shelf([tree(valueSet="https://made.example/all")])
    assert len(Expander(library).members("https://made.example/all")) == 6
