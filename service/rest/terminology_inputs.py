"""Which parameters do the terminology operations take, and what do they ask for?

R4: the OperationDefinitions of ValueSet, CodeSystem and ConceptMap.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from service.errors import Invalid, NotSupported
from service.rest.inputs import Inputs, Table
from service.standard.partial_dates import interval
from service.standard.terminology import expansion, validate_code
from service.standard.terminology.library import SystemVersions
from service.standard.terminology.translation import Dependency
from service.standard.terminology.validate_code import Claim

_SET: Table = {
    "url": "text",
    "valueSet": "resource",
    "valueSetVersion": "text",
    "context": "text",
    "date": "text",
}
_CODED: Table = {
    "code": "text",
    "system": "text",
    "display": "text",
    "coding": "Coding",
    "codeableConcept": "CodeableConcept",
    "abstract": "flag",
    "date": "text",
    "displayLanguage": "text",
}
EXPAND: Table = {
    **_SET,
    "contextDirection": "text",
    "filter": "text",
    "offset": "number",
    "count": "number",
    "includeDesignations": "flag",
    "designation": "text",
    "includeDefinition": "flag",
    "activeOnly": "flag",
    "excludeNested": "flag",
    "excludeNotForUI": "flag",
    "excludePostCoordinated": "flag",
    "displayLanguage": "text",
    "exclude-system": "text",
    "system-version": "text",
    "check-system-version": "text",
    "force-system-version": "text",
}
VALIDATE_IN_SET: Table = {**_SET, **_CODED, "systemVersion": "text"}
VALIDATE_IN_SYSTEM: Table = {
    **{name: kind for name, kind in _CODED.items() if name != "system"},
    "url": "text",
    "codeSystem": "resource",
    "version": "text",
}
LOOKUP: Table = {
    "code": "text",
    "system": "text",
    "version": "text",
    "coding": "Coding",
    "date": "text",
    "displayLanguage": "text",
    "property": "text",
}
SUBSUMES: Table = {
    "codeA": "text",
    "codeB": "text",
    "system": "text",
    "version": "text",
    "codingA": "Coding",
    "codingB": "Coding",
}
TRANSLATE: Table = {
    "url": "text",
    "conceptMap": "resource",
    "conceptMapVersion": "text",
    "code": "text",
    "system": "text",
    "version": "text",
    "coding": "Coding",
    "codeableConcept": "CodeableConcept",
    "source": "text",
    "target": "text",
    "targetsystem": "text",
    "dependency": "part",
    "reverse": "flag",
}


def claims(given: Inputs, system: str | None, version: str | None) -> list[Claim]:
    """The coded value handed in, as codings."""
    kind = given.need_one_of("code", "coding", "codeableConcept")
    if kind == "code":
        return [Claim(system, given.one("code"), given.one("display"), version)]
    value = given.one(kind)
    codings = [value] if kind == "coding" else value.get("coding") or []
    return [
        Claim(c.get("system"), c["code"], c.get("display"), c.get("version") or version)
        for c in codings
        if "code" in c
    ]


def end(given: Inputs, which: str) -> tuple[str | None, str]:
    """System and code of `A` or `B` of $subsumes."""
    kind = given.need_one_of(f"code{which}", f"coding{which}")
    value = given.one(kind)
    if kind == f"code{which}":
        return None, value
    if "code" not in value:
        raise Invalid(f"{kind} has no code", code="required")
    return value.get("system"), value["code"]


def dependency(part: list[dict[str, Any]]) -> Dependency:
    """A `dependency` of $translate."""
    values = {entry["name"]: entry for entry in part}
    element = values.get("element", {})
    concept = values.get("concept", {}).get("valueCodeableConcept", {})
    return Dependency(
        str(element.get("valueUri", "")),
        tuple((c.get("system"), str(c.get("code"))) for c in concept.get("coding", ())),
        concept.get("text"),
    )


def expansion_wishes(given: Inputs) -> expansion.Wishes:
    """What shape of an expansion is wanted."""
    return expansion.Wishes(
        filter=given.one("filter"),
        offset=given.one("offset"),
        count=given.one("count"),
        include_designations=given.one("includeDesignations"),
        designation=given.all("designation"),
        include_definition=given.one("includeDefinition"),
        active_only=given.one("activeOnly"),
        exclude_nested=given.one("excludeNested"),
        exclude_not_for_ui=given.one("excludeNotForUI"),
        display_language=given.one("displayLanguage"),
        exclude_system=given.all("exclude-system"),
        versions=SystemVersions(
            given.all("system-version"),
            given.all("check-system-version"),
            given.all("force-system-version"),
        ),
    )


def code_wishes(given: Inputs) -> validate_code.Wishes:
    """How strict a $validate-code shall be."""
    return validate_code.Wishes(given.one("abstract") is True, given.one("displayLanguage"))


def refuse_past(given: Inputs) -> None:
    """Definitions are held as they are now: "or return an error if this is not possible"."""
    text = given.one("date")
    if text is None:
        return
    try:
        latest = interval(text.replace(" ", "+"))[1]
    except ValueError:
        raise Invalid(
            f"date is a dateTime, not {text[:40]!r}", code="value", location="http.date"
        ) from None
    if latest < datetime.now(UTC).timestamp() * 1_000_000 - 86_400_000_000:
        raise NotSupported(
            "Definitions are held as they are now, not as they were", location="http.date"
        )
