"""Is this code one that the element's required binding allows? (R4, Using Codes, section
Required)

Closed value sets are compared code by code; of open ones (languages, MIME types, currencies)
only the form is checked, which the standards behind them give.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Any

from service.standard.definitions import Element, definitions
from service.standard.validation.findings import Context, Place, shown

Check = Callable[[Any, Place, Context], None]

_FORMS: dict[str, tuple[re.Pattern[str], str]] = {
    "http://hl7.org/fhir/ValueSet/all-languages": (
        re.compile(r"[A-Za-z]{1,8}(-[A-Za-z0-9]{1,8})*"),
        "a language tag (BCP 47)",
    ),
    "http://hl7.org/fhir/ValueSet/currencies": (
        re.compile(r"[A-Z]{3}"),
        "a currency code (ISO 4217)",
    ),
    "http://hl7.org/fhir/ValueSet/mimetypes": (
        re.compile(r"[^\s/;]+/[^\s/;]+(\s*;.*)?"),
        "a media type (BCP 13)",
    ),
}
_NAMED = 12


def codes_of(element: Element) -> frozenset[str] | None:
    """All codes that a `code` element may have, where its value set is closed."""
    if element.binding is None or element.children:
        return None
    codes = definitions().binding(element.binding)
    return None if codes is None else frozenset(codes)


def checks_of(element: Element) -> tuple[Check, ...]:
    """What else the binding of this element asks for."""
    if element.binding is None:
        return ()
    allowed = definitions().binding(element.binding)
    if allowed is None:
        form = _FORMS.get(element.binding)
        return () if form is None or element.children else (_form_check(*form),)
    if element.type == "Coding":
        return (_coding_check(allowed, element.binding),)
    if element.type == "CodeableConcept":
        return (_concept_check(allowed, element.binding),)
    return ()


def tell_code(value: str, codes: frozenset[str], place: Place, context: Context) -> None:
    """The issue of a `code` that its value set does not have."""
    text = f"{shown(value)} is not a code of its required value set{_some(codes)}"
    context.add("code-invalid", text, place)


def _form_check(form: re.Pattern[str], expected: str) -> Check:
    def check(value: Any, place: Place, context: Context) -> None:
        if form.fullmatch(value) is None:
            context.add("code-invalid", f"{shown(value)} is not {expected}", place)

    return check


def _coding_check(allowed: Mapping[str, str], url: str) -> Check:
    def check(value: Any, place: Place, context: Context) -> None:
        if not _is_member(value, allowed) and ("code" in value or "extension" not in value):
            _tell(allowed, url, place, context)

    return check


def _concept_check(allowed: Mapping[str, str], url: str) -> Check:
    def check(value: Any, place: Place, context: Context) -> None:
        codings = value.get("coding")
        if isinstance(codings, list) and any(_is_member(coding, allowed) for coding in codings):
            return
        if codings or "text" in value or "extension" not in value:
            _tell(allowed, url, place, context)

    return check


def _is_member(coding: Any, allowed: Mapping[str, str]) -> bool:
    if not isinstance(coding, dict):
        return False
    code, system = coding.get("code"), coding.get("system")
    return isinstance(code, str) and isinstance(system, str) and allowed.get(code) == system


def _tell(allowed: Mapping[str, str], url: str, place: Place, context: Context) -> None:
    systems = ", ".join(dict.fromkeys(allowed.values()))
    text = f"No coding from the required value set {url}; system {systems}{_some(allowed)}"
    context.add("code-invalid", text, place)


def _some(codes: frozenset[str] | Mapping[str, str]) -> str:
    return f": {', '.join(sorted(codes))}" if len(codes) <= _NAMED else ""
