"""Which tokens does a value give, and which words go with them? FHIR R4, Search, section token."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from service.standard.definitions import Element, definitions
from service.standard.extraction.rows import SearchValues, Use, Writer
from service.standard.extraction.text import clip, fold

BOOLEAN_SYSTEM = "http://terminology.hl7.org/CodeSystem/special-values"


def write_text(params: list[int], text: Any, grp: int, rows: SearchValues) -> None:
    """What `:text` finds: the human words of a code, as a string under the same parameter."""
    if text and (folded := clip(fold(text))):
        for param in params:
            rows.strings.append((param, folded, clip(text), grp))


def _coding(uses: tuple[Use, ...], element: Element) -> Writer:
    params = [use.param for use in uses]

    def write(value: Any, grp: int, rows: SearchValues) -> None:
        code, system = value.get("code") or "", value.get("system") or ""
        write_text(params, value.get("display"), grp, rows)
        if code or system:
            for param in params:
                rows.tokens.append((param, clip(system), clip(code), grp))

    return write


def _codeable_concept(uses: tuple[Use, ...], element: Element) -> Writer:
    write_coding = _coding(uses, element)
    params = [use.param for use in uses]

    def write(value: Any, grp: int, rows: SearchValues) -> None:
        write_text(params, value.get("text"), grp, rows)
        for coding in value.get("coding", ()):
            write_coding(coding, grp, rows)

    return write


def identifier(uses: tuple[Use, ...], element: Element | None = None) -> Writer:
    """Identifier.system and value; with its type for `:of-type`."""
    params = [use.param for use in uses]
    typed = [use.typed for use in uses if use.typed]

    def write(value: Any, grp: int, rows: SearchValues) -> None:
        code, system = value.get("value") or "", value.get("system") or ""
        if "type" in value:
            _write_type(value["type"], code, grp, rows)
        if code or system:
            for param in params:
                rows.tokens.append((param, clip(system), clip(code), grp))

    def _write_type(type_: Any, code: str, grp: int, rows: SearchValues) -> None:
        write_text(params, type_.get("text"), grp, rows)
        for coding in type_.get("coding", ()):
            kind = f"{coding.get('system') or ''}|{coding.get('code') or ''}"
            for param in typed if code and coding.get("code") else ():
                rows.tokens.append((param, clip(kind), clip(code), grp))

    return write


def _contact_point(uses: tuple[Use, ...], element: Element) -> Writer:
    params = [use.param for use in uses]

    def write(value: Any, grp: int, rows: SearchValues) -> None:
        if code := value.get("value"):
            for param in params:
                rows.tokens.append((param, value.get("use") or "", clip(code), grp))

    return write


def _boolean(uses: tuple[Use, ...], element: Element) -> Writer:
    params = [use.param for use in uses]

    def write(value: Any, grp: int, rows: SearchValues) -> None:
        for param in params:
            rows.tokens.append((param, BOOLEAN_SYSTEM, "true" if value else "false", grp))

    return write


def _code(uses: tuple[Use, ...], element: Element) -> Writer:
    """A bare code is of the system that its required binding implies."""
    params = [use.param for use in uses]
    binding = element.binding or ""
    systems: Mapping[str, str] = definitions().binding(binding) or {}
    otherwise = "" if systems else definitions().binding_system(binding, "")

    def write(value: Any, grp: int, rows: SearchValues) -> None:
        for param in params:
            rows.tokens.append((param, systems.get(value, otherwise), clip(value), grp))

    return write


TOKENS: dict[str, Callable[[tuple[Use, ...], Element], Writer]] = {
    "Coding": _coding,
    "CodeableConcept": _codeable_concept,
    "Identifier": identifier,
    "ContactPoint": _contact_point,
    "boolean": _boolean,
    "code": _code,
    "string": _code,
    "id": _code,
    "uri": _code,
    "url": _code,
    "canonical": _code,
}
