"""A code system and value sets of the invented clinic, and what they mean, written out by hand.

`VALUE_SETS` and `ABOVE` are what the comparison knows of them, so that it needs no terminology.
"""

from __future__ import annotations

from typing import Any

from tests.store.searching.invented_clinic import LOCAL, LOINC, TREE

Resource = dict[str, Any]

STATUS = "http://hl7.org/fhir/observation-status"
_BASE = "http://clinic.example/fhir/ValueSet"
_MANY = [f"site-{number}" for number in range(60)]

ABOVE: dict[str, list[str]] = {
    "mouth": [],
    "lips": ["mouth"],
    "upper-lip": ["lips", "mouth"],
    "tongue": ["mouth"],
    "throat": [],
}
"""Of each code of `TREE` what subsumes it."""

_STRENGTH = {(LOINC, "8867-4"), (TREE, "lips"), (TREE, "upper-lip")}
_SITES = {(LOCAL, code) for code in ("lips", "tongue", *_MANY)} | {(TREE, "mouth")}
VALUE_SETS: dict[str, set[tuple[str, str]]] = {
    "http://clinic.example/codes/strength": _STRENGTH,
    "http://clinic.example/codes/strength|2": _STRENGTH,
    "ValueSet/strength": _STRENGTH,
    f"{_BASE}/strength": _STRENGTH,
    "http://clinic.example/codes/sites": _SITES,
    "ValueSet/sites": _SITES,
    "http://clinic.example/codes/none": set(),
    # Shipped: http://hl7.org/fhir/R4/valueset-observation-status.html
    "http://hl7.org/fhir/ValueSet/observation-status": {
        (STATUS, code)
        for code in [
            "registered",
            "preliminary",
            "final",
            "amended",
            "corrected",
            "cancelled",
            "entered-in-error",
            "unknown",
        ]
    },
}


def _value_set(id_: str, version: str, compose: Resource) -> Resource:
    return {
        "resourceType": "ValueSet",
        "id": id_,
        "url": f"http://clinic.example/codes/{id_}",
        "version": version,
        "status": "active",
        "compose": compose,
    }


def terms() -> list[Resource]:
    """The resources, for the store."""
    lips = {"code": "lips", "concept": [{"code": "upper-lip"}]}
    return [
        {
            "resourceType": "CodeSystem",
            "id": "tree",
            "url": TREE,
            "status": "active",
            "hierarchyMeaning": "is-a",
            "content": "complete",
            "concept": [
                {"code": "mouth", "concept": [lips, {"code": "tongue"}]},
                {"code": "throat"},
            ],
        },
        _value_set("strength", "1", {"include": [{"system": TREE}]})
        | {"id": "strength-1", "status": "retired"},
        _value_set(
            "strength",
            "2",
            {
                "include": [
                    {"system": LOINC, "concept": [{"code": "8867-4"}]},
                    {
                        "system": TREE,
                        "filter": [{"property": "concept", "op": "is-a", "value": "lips"}],
                    },
                ]
            },
        ),
        _value_set(
            "sites",
            "1",
            {
                "include": [
                    {
                        "system": LOCAL,
                        "concept": [{"code": code} for code in ("lips", "tongue", *_MANY)],
                    },
                    {"system": TREE, "concept": [{"code": "mouth"}]},
                ]
            },
        ),
        _value_set("none", "1", {"include": [{"system": TREE}], "exclude": [{"system": TREE}]}),
    ]
