"""Instances in which every element of a type is filled, by the table of elements.

Official examples leave most elements out. These are filled to a depth of five, by a seeded
choice; instance `n` takes the n-th type of each choice, so that twelve of them meet every type a
search parameter cares about. They are shaped as R4 says, but mean nothing.
"""

from __future__ import annotations

import random
from collections.abc import Mapping
from typing import Any

from service.standard.definitions import Element, definitions

DEPTH = 5
EXTENSIONS: dict[str, list[tuple[str, dict[str, Any]]]] = {
    "Patient": [("patient-mothersMaidenName", {"valueString": "Æsa  Þórsdóttir"})],
    "CodeSystem": [
        ("codesystem-author", {"valueString": "An Author"}),
        ("codesystem-keyWord", {"valueString": "tongue"}),
        ("codesystem-effectiveDate", {"valueDate": "2020-02"}),
        ("codesystem-expirationDate", {"valueDate": "2031"}),
        ("codesystem-workflowStatus", {"valueString": "draft"}),
    ],
    "ValueSet": [
        ("valueset-author", {"valueContactDetail": {"name": "An Author"}}),
        ("valueset-effectiveDate", {"valueDateTime": "2020-02-01T10:00:00+13:00"}),
        ("valueset-workflowStatus", {"valueString": "draft"}),
    ],
}
PRIMITIVES: Mapping[str, tuple[Any, ...]] = {
    "boolean": (True, False),
    "integer": (7, -12),  # fhirpathpy takes 0 for false
    "unsignedInt": (0, 3),
    "positiveInt": (1, 32),
    "decimal": (0.25, 1, -3.5, 1200),
    "date": ("2021", "2021-02", "2024-02-29"),
    "dateTime": ("1999", "2023-12", "2024-02-29T23:59:60Z", "2020-01-01T00:00:00.25-11:30"),
    "instant": ("2015-02-07T13:28:17.239+02:00", "2015-02-07T13:28:17Z"),
    "time": ("10:00:00",),
    "string": ("Zoë  Ångström", "straße", "a" * 230, "plain"),
    "markdown": ("*bold*\ntext", "Ünïcode"),
    "code": ("some-code", "other"),
    "id": ("an-id",),
    "uri": ("http://example.org/a", "urn:oid:1.2.3", "http://example.org/" + "x" * 220),
    "url": ("https://example.org/endpoint", "mailto:a@example.org"),
    "canonical": ("http://example.org/def|1.2", "http://example.org/def", "ValueSet/local", "#in"),
    "oid": ("urn:oid:1.2.3",),
    "uuid": ("urn:uuid:c757873d-ec9a-4326-a141-556f43239520",),
    "base64Binary": ("AAAA",),
    "xhtml": ('<div xmlns="http://www.w3.org/1999/xhtml">text</div>',),
}
CODES = {
    "ContactPoint.system": ("phone", "email", "sms"),
    "RelatedArtifact.type": (
        "depends-on",
        "composed-of",
        "derived-from",
        "predecessor",
        "successor",
    ),
}
COMPARATORS = (None, "<", "<=", ">", ">=")
UNITS: tuple[dict[str, str], ...] = (
    {"system": "http://unitsofmeasure.org", "code": "kPa", "unit": "kPa"},
    {"unit": "strokes"},
    {},
)


class Maker:
    """Fills one instance; `turn` chooses the type of each choice."""

    def __init__(self, seed: int) -> None:
        self.random = random.Random(seed)
        self.turn = seed

    def resource(self, type: str) -> dict[str, Any]:
        filled = self.complex(type, DEPTH)
        extensions = [
            {"url": f"http://hl7.org/fhir/StructureDefinition/{name}", **value}
            for name, value in EXTENSIONS.get(type, ())
        ]
        if extensions:
            filled["extension"] = extensions
        return {"resourceType": type, "id": f"made-{self.turn}", **filled}

    def complex(self, path: str, depth: int) -> dict[str, Any]:
        elements = definitions().elements(path)
        chosen: dict[str, list[Element]] = {}
        for element in elements.values():
            chosen.setdefault(element.choice or element.name, []).append(element)
        filled: dict[str, Any] = {}
        for kinds in chosen.values():
            element = kinds[self.turn % len(kinds)]
            if element.name in (
                "id",
                "extension",
                "modifierExtension",
                "contained",
                "resourceType",
            ):
                continue
            made = self.repeated(path, element, depth)
            if made not in (None, [], {}):
                filled[element.name] = made
        return filled

    def repeated(self, path: str, element: Element, depth: int) -> Any:
        if not element.repeats:
            return self.value(path, element, depth)
        made = [self.value(path, element, depth) for _ in range(self.random.randint(1, 3))]
        made = [value for value in made if value not in (None, {})]
        if made and not element.children and self.random.random() < 0.2:
            made.append(None)
        return made

    def value(self, path: str, element: Element, depth: int) -> Any:
        if not element.children:
            return self.primitive(path, element)
        match element.type:
            case "Reference":
                return self.reference(element)
            case "Quantity" | "Age" | "Duration" | "Count" | "Distance":
                return self.quantity()
            case "SampledData":
                return {
                    "origin": {"value": 2, **UNITS[0]},
                    "period": 10,
                    "factor": 0.5,
                    "dimensions": 1,
                    "data": "E 4 -6 U 10 L",
                }
            case "Extension" | "Resource":
                return None
        return self.complex(element.children, depth - 1) if depth else None

    def primitive(self, path: str, element: Element) -> Any:
        if element.binding:
            codes = definitions().binding(element.binding)
            if codes and self.random.random() < 0.9:
                wanted = CODES.get(f"{path}.{element.name}", tuple(codes))
                return self.random.choice(wanted)
        return self.random.choice(PRIMITIVES[element.type])

    def quantity(self) -> dict[str, Any]:
        comparator = self.random.choice(COMPARATORS)
        made = {"value": self.random.choice(PRIMITIVES["decimal"]), **self.random.choice(UNITS)}
        return made | ({"comparator": comparator} if comparator else {})

    def reference(self, element: Element) -> dict[str, Any]:
        type_ = self.random.choice(
            element.targets if element.targets != ("Resource",) else ("Patient", "Location")
        )
        identifier = {"system": "http://example.org/ids", "value": "A 1"}
        return self.random.choice(
            (
                {"reference": f"{type_}/{self.random.randint(1, 9)}"},
                {"reference": f"{type_}/old/_history/2", "display": "an old one"},
                {"reference": f"https://elsewhere.example/r4/{type_}/77"},
                {"reference": "#within"},
                {"reference": "urn:uuid:c757873d-ec9a-4326-a141-556f43239520"},
                {"type": type_, "identifier": identifier},
                {"reference": f"{type_}/b", "type": type_, "identifier": {"value": "bare"}},
                {"display": "nothing but words"},
            )
        )
