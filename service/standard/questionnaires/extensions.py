"""What do the extensions of a form say, and where are they defined?

Core R4 (package hl7.fhir.r4.core: ordinalValue, minValue, maxValue, questionnaire-unit,
questionnaire-constraint, variable), Structured Data Capture 4.0 (the `sdc-` ones), and ours
(`score`, mappings/profiles/score.json).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

_CORE = "http://hl7.org/fhir/StructureDefinition/"
_SDC = "http://hl7.org/fhir/uv/sdc/StructureDefinition/sdc-questionnaire-"

ORDINAL = _CORE + "ordinalValue"
WEIGHTS = frozenset({_CORE + "itemWeight", ORDINAL})
MINIMUM = _CORE + "minValue"
MAXIMUM = _CORE + "maxValue"
UNIT = _CORE + "questionnaire-unit"
PREFIX = _CORE + "questionnaire-optionPrefix"
CONSTRAINT = _CORE + "questionnaire-constraint"
VARIABLE = _CORE + "variable"

CALCULATED = _SDC + "calculatedExpression"
ENABLE_WHEN = _SDC + "enableWhenExpression"
EXTRACT = _SDC + "observationExtract"
CATEGORY = _SDC + "observation-extract-category"
SUBJECT = _SDC + "isSubject"

SCORE = "https://hyoid.example/fhir/StructureDefinition/score"


def extensions(element: Mapping[str, Any], url: str) -> Iterator[Mapping[str, Any]]:
    """The extensions of this kind on an element."""
    for each in element.get("extension") or ():
        if each.get("url") == url:
            yield each


def value_of(extension: Mapping[str, Any]) -> Any:
    """The value of an extension, whatever its type."""
    return next((value for name, value in extension.items() if name.startswith("value")), None)


def values(element: Mapping[str, Any], *urls: str) -> list[Any]:
    """Values of the extensions of these kinds on an element, in the order of the kinds."""
    return [value_of(each) for url in urls for each in extensions(element, url)]


def value(element: Mapping[str, Any], *urls: str) -> Any:
    """The first of them, or None."""
    return next(iter(values(element, *urls)), None)


def parts(extension: Mapping[str, Any], name: str) -> list[Any]:
    """Values of the parts of this name in an extension made of parts."""
    return [value_of(each) for each in extensions(extension, name)]


def part(extension: Mapping[str, Any], name: str) -> Any:
    """The first of them, or None."""
    return next(iter(parts(extension, name)), None)


def expression_in(expression: Any) -> str | None:
    """The FHIRPath of an Expression. Other languages are not computed with."""
    if not isinstance(expression, dict) or expression.get("language") != "text/fhirpath":
        return None
    text = expression.get("expression")
    return text if isinstance(text, str) else None
