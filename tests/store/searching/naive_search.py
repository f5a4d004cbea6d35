"""R4 search read plainly, for comparison: each resource is looked at, nothing is indexed.

Written from http://hl7.org/fhir/R4/search.html and the tables of search parameters there, apart
from the code of the service. Knows the parameters in `PATHS` only.
"""

from __future__ import annotations

import calendar
import re
import unicodedata
from collections.abc import Callable, Iterable
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any

from tests.store.searching.invented_clinic import TREE
from tests.store.searching.invented_terms import ABOVE, VALUE_SETS

Resource = dict[str, Any]
Span = tuple[datetime, datetime]

FIRST = datetime(1, 1, 1, tzinfo=UTC)
LAST = datetime(9999, 12, 31, 23, 59, 59, 999999, tzinfo=UTC)
INFINITE = Decimal("1e400")
BOOLEAN = "http://terminology.hl7.org/CodeSystem/special-values"
UCUM = "http://unitsofmeasure.org"
TO_BASE = {"kPa": ("Pa", 1000), "Pa": ("Pa", 1), "ms": ("s", Decimal("0.001")), "s": ("s", 1)}


def each(value: Any) -> list[Any]:
    """The value as a list."""
    return [] if value is None else value if isinstance(value, list) else [value]


def at(*path: str) -> Callable[[Resource], list[Any]]:
    """Everything at a path."""

    def walk(resource: Resource) -> list[Any]:
        found = [resource]
        for name in path:
            found = [below for value in found for below in each(value.get(name))]
        return found

    return walk


def codings(*path: str) -> Callable[[Resource], list[Any]]:
    """The codings of concepts, and their texts as values without a code."""

    def walk(resource: Resource) -> list[Any]:
        found: list[Any] = []
        for concept in at(*path)(resource):
            found += each(concept.get("coding"))
            found += [{"words": concept["text"]}] if "text" in concept else []
        return found

    return walk


def either(*walks: Callable[[Resource], list[Any]]) -> Callable[[Resource], list[Any]]:
    return lambda resource: [value for walk in walks for value in walk(resource)]


def parts(path: str, names: Iterable[str]) -> Callable[[Resource], list[Any]]:
    return either(*(at(path, name) for name in names))


def only(type_: str, walk: Callable[[Resource], list[Any]]) -> Callable[[Resource], list[Any]]:
    def narrowed(resource: Resource) -> list[Any]:
        return [
            r
            for r in walk(resource)
            if r.get("reference", "").startswith(f"{type_}/")
            or f"/{type_}/" in r.get("reference", "")
        ]

    return narrowed


def plain(system: str, walk: Callable[[Resource], list[Any]]) -> Callable[[Resource], list[Any]]:
    """Codes and booleans as codings."""

    def coded(resource: Resource) -> list[Any]:
        return [
            {"system": system, "code": str(v).lower() if isinstance(v, bool) else v}
            for v in walk(resource)
        ]

    return coded


def contact(system: str | None) -> Callable[[Resource], list[Any]]:
    def coded(resource: Resource) -> list[Any]:
        return [
            {"system": point.get("use"), "code": point["value"]}
            for point in each(resource.get("telecom"))
            if system in (None, point["system"])
        ]

    return coded


def deceased(resource: Resource) -> list[Any]:
    gone = any(
        resource.get(n) not in (None, False) for n in ("deceasedBoolean", "deceasedDateTime")
    )
    return [{"system": BOOLEAN, "code": str(gone).lower()}]


NAME = ("family", "given", "prefix", "suffix", "text")
ADDRESS = ("text", "line", "city", "district", "state", "postalCode", "country")
EFFECTIVE = either(at("effectiveDateTime"), at("effectivePeriod"))
VALUE = at("valueQuantity")

PATHS: dict[str, dict[str, tuple[str, Callable[[Resource], list[Any]]]]] = {
    "Patient": {
        "name": ("string", parts("name", NAME)),
        "family": ("string", at("name", "family")),
        "given": ("string", at("name", "given")),
        "address": ("string", parts("address", ADDRESS)),
        "address-city": ("string", at("address", "city")),
        "gender": ("token", plain("http://hl7.org/fhir/administrative-gender", at("gender"))),
        "active": ("token", plain(BOOLEAN, at("active"))),
        "deceased": ("token", deceased),
        "telecom": ("token", contact(None)),
        "email": ("token", contact("email")),
        "identifier": ("token", at("identifier")),
        "birthdate": ("date", at("birthDate")),
        "general-practitioner": ("reference", at("generalPractitioner")),
        "organization": ("reference", at("managingOrganization")),
    },
    "Organization": {"name": ("string", either(at("name"), at("alias")))},
    "Practitioner": {
        "name": ("string", parts("name", NAME)),
        "identifier": ("token", at("identifier")),
    },
    "Questionnaire": {
        "url": ("uri", at("url")),
        "title": ("string", at("title")),
        "version": ("token", plain("", at("version"))),
        "context-quantity": ("quantity", at("useContext", "valueQuantity")),
        "context-type": ("token", at("useContext", "code")),
    },
    "Encounter": {
        "date": ("date", at("period")),
        "status": ("token", plain("http://hl7.org/fhir/encounter-status", at("status"))),
        "class": ("token", at("class")),
        "identifier": ("token", at("identifier")),
        "length": ("quantity", at("length")),
        "subject": ("reference", at("subject")),
        "patient": ("reference", only("Patient", at("subject"))),
    },
    "CarePlan": {
        "date": ("date", at("period")),
        "status": ("token", plain("http://hl7.org/fhir/request-status", at("status"))),
        "category": ("token", codings("category")),
        "subject": ("reference", at("subject")),
        "patient": ("reference", only("Patient", at("subject"))),
        "encounter": ("reference", at("encounter")),
        "replaces": ("reference", at("replaces")),
    },
    "Goal": {
        "target-date": ("date", at("target", "dueDate")),
        "lifecycle-status": (
            "token",
            plain("http://hl7.org/fhir/goal-status", at("lifecycleStatus")),
        ),
        "subject": ("reference", at("subject")),
        "patient": ("reference", only("Patient", at("subject"))),
    },
    "Procedure": {
        "code": ("token", codings("code")),
        "date": ("date", either(at("performedDateTime"), at("performedPeriod"))),
        "subject": ("reference", at("subject")),
        "patient": ("reference", only("Patient", at("subject"))),
        "encounter": ("reference", at("encounter")),
        "based-on": ("reference", at("basedOn")),
    },
    "Observation": {
        "code": ("token", codings("code")),
        "category": ("token", codings("category")),
        "status": ("token", plain("http://hl7.org/fhir/observation-status", at("status"))),
        "combo-code": ("token", either(codings("code"), codings("component", "code"))),
        "component-code": ("token", codings("component", "code")),
        "value-concept": ("token", codings("valueCodeableConcept")),
        "value-string": (
            "string",
            either(at("valueString"), at("valueCodeableConcept", "text")),
        ),
        "date": ("date", EFFECTIVE),
        "value-quantity": ("quantity", VALUE),
        "component-value-quantity": ("quantity", at("component", "valueQuantity")),
        "combo-value-quantity": ("quantity", either(VALUE, at("component", "valueQuantity"))),
        "subject": ("reference", at("subject")),
        "patient": ("reference", only("Patient", at("subject"))),
        "encounter": ("reference", at("encounter")),
        "performer": ("reference", at("performer")),
        "part-of": ("reference", at("partOf")),
    },
    "QuestionnaireResponse": {
        "questionnaire": ("reference", at("questionnaire")),
        "authored": ("date", at("authored")),
        "subject": ("reference", at("subject")),
        "patient": ("reference", only("Patient", at("subject"))),
    },
    "List": {"item": ("reference", at("entry", "item"))},
}

SELF = lambda resource: [resource]  # noqa: E731
COMPONENT = at("component")
COMPOSITES: dict[tuple[str, str], tuple[Callable[[Resource], list[Any]], Any, Any]] = {
    # (the elements, of each the first part, of each the second part)
    ("Observation", "code-value-quantity"): (SELF, ("token", codings("code")), ("quantity", VALUE)),
    ("Observation", "component-code-value-quantity"): (
        COMPONENT,
        ("token", codings("code")),
        ("quantity", VALUE),
    ),
    ("Observation", "combo-code-value-quantity"): (
        either(SELF, COMPONENT),
        ("token", codings("code")),
        ("quantity", VALUE),
    ),
    ("Observation", "code-value-concept"): (
        SELF,
        ("token", codings("code")),
        ("token", codings("valueCodeableConcept")),
    ),
    ("Questionnaire", "context-type-quantity"): (
        at("useContext"),
        ("token", at("code")),
        ("quantity", VALUE),
    ),
}


class Naive:
    """All resources, to be searched one by one."""

    def __init__(self, resources: Iterable[Resource], now: datetime, base: str) -> None:
        self.all = list(resources)
        self.by_name = {f"{r['resourceType']}/{r['id']}": r for r in self.all}
        self.now = now
        self.base = base

    def search(self, type_: str, pairs: Iterable[tuple[str, str]]) -> list[Resource]:
        """Those that meet every pair."""
        pairs = list(pairs)
        return [
            r
            for r in self.all
            if r["resourceType"] == type_ and all(self.meets(r, n, v) for n, v in pairs)
        ]

    def meets(self, resource: Resource, name: str, value: str) -> bool:
        """Whether a resource meets one pair."""
        type_ = resource["resourceType"]
        if name.startswith("_has:"):
            _, source, code, rest = name.split(":", 3)
            return any(
                any(resource in self.targets(ref) for ref in PATHS[source][code][1](other))
                and self.meets(other, rest, value)
                for other in self.all
                if other["resourceType"] == source
            )
        head, dot, rest = name.partition(".")
        code, _, modifier = head.partition(":")
        if dot:
            references = PATHS[type_][code][1](resource)
            return any(
                modifier in ("", target["resourceType"])
                and self.knows(target["resourceType"], rest)
                and self.meets(target, rest, value)
                for reference in references
                for target in self.targets(reference)
            )
        wanted = value.split(",")
        if code == "_id":
            return resource["id"] in wanted
        if (type_, code) in COMPOSITES:
            return any(self.composite(COMPOSITES[type_, code], resource, one) for one in wanted)
        kind, walk = PATHS[type_][code]
        values = walk(resource)
        if modifier == "missing":
            return (not values) == (value == "true")
        if modifier in ("in", "not-in"):
            codes = set().union(*(VALUE_SETS[one] for one in wanted))
            return any(coding(v) in codes for v in values) == (modifier == "in")
        if modifier in ("above", "below") and kind == "token":
            return any(related(modifier, coding(v), one) for v in values for one in wanted)
        if modifier == "not":
            return not any(self.value_meets(kind, "", v, one) for v in values for one in wanted)
        return any(self.value_meets(kind, modifier, v, one) for v in values for one in wanted)

    def knows(self, type_: str, name: str) -> bool:
        code = re.split(r"[.:]", name)[0]
        return name.startswith("_") or code in PATHS[type_] or (type_, code) in COMPOSITES

    def targets(self, reference: Any) -> list[Resource]:
        """The resources that a reference or canonical URL leads to."""
        if isinstance(reference, str):
            url, bar, version = reference.partition("|")
            return [
                r
                for r in self.all
                if r.get("url") == url and (not bar or r.get("version") == version)
            ]
        found = self.by_name.get(reference.get("reference", ""))
        return [found] if found else []

    def composite(self, parts: Any, resource: Resource, wanted: str) -> bool:
        elements, *halves = parts
        return any(
            all(
                any(self.value_meets(kind, "", v, text) for v in walk(element))
                for (kind, walk), text in zip(halves, wanted.split("$"), strict=True)
            )
            for element in elements(resource)
        )

    def value_meets(self, kind: str, modifier: str, value: Any, wanted: str) -> bool:
        """Whether one value meets one searched value."""
        match kind:
            case "string":
                return string_meets(modifier, value, wanted)
            case "token" if modifier == "text":
                return any(string_meets("", words, wanted) for words in words_of(value))
            case "token" if modifier == "of-type":
                system, code, own = wanted.split("|")
                kinds = value.get("type", {}).get("coding", ())
                return own == value.get("value") and any(
                    (kind["system"], kind["code"]) == (system, code) for kind in kinds
                )
            case "token":
                return token_meets(value, wanted)
            case "reference":
                return self.reference_meets(modifier, value, wanted)
            case "date":
                return self.date_meets(value, wanted)
            case "quantity":
                return quantity_meets(value, wanted)
            case "uri":
                return uri_meets(modifier, value, wanted)
        raise AssertionError(kind)

    def reference_meets(self, modifier: str, value: Any, wanted: str) -> bool:
        if modifier == "identifier":
            return "identifier" in value and token_meets(value["identifier"], wanted)
        if isinstance(value, str):
            return wanted in (value, value.partition("|")[0])
        literal = value.get("reference", "")
        wanted = wanted.removeprefix(self.base)
        if modifier:
            wanted = f"{modifier}/{wanted.removeprefix(modifier + '/')}"
        if "/" in wanted:
            return literal == wanted
        return re.fullmatch(rf"[A-Z][A-Za-z]+/{re.escape(wanted)}", literal) is not None

    def date_meets(self, value: Any, wanted: str) -> bool:
        low, high = span_of(value)
        prefix, text = prefixed(wanted)
        first, last = span(text)
        if prefix == "ap":
            gap = abs(self.now - first) / 10
            return low <= last + gap and high >= first - gap
        inside = first <= low and high <= last
        return {
            "eq": inside,
            "ne": not inside,
            "gt": high > last,
            "lt": low < first,
            "ge": high > last or inside,
            "le": low < first or inside,
            "sa": low > last,
            "eb": high < first,
        }[prefix]


def prefixed(text: str) -> tuple[str, str]:
    return (text[:2], text[2:]) if text[:2].isalpha() else ("eq", text)


def fold(text: str) -> str:
    bare = "".join(c for c in unicodedata.normalize("NFKD", text) if not unicodedata.combining(c))
    return " ".join(bare.casefold().split())


def string_meets(modifier: str, value: str, wanted: str) -> bool:
    if modifier == "exact":
        return value == wanted
    if modifier == "contains":
        return fold(wanted) in fold(value)
    return fold(value).startswith(fold(wanted))


def words_of(value: Any) -> list[str]:
    """The text of a code or of the type of an identifier."""
    kind = value.get("type")
    words = [value.get("words"), value.get("display")]
    if isinstance(kind, dict):
        words.append(kind.get("text"))
    return [text for text in words if text]


def token_meets(value: Any, wanted: str) -> bool:
    code = value.get("code", value.get("value"))
    if "|" not in wanted:
        return bool(code == wanted)
    system, wanted_code = wanted.split("|")
    same_system = (value.get("system") or "") == system
    return same_system and (not wanted_code or code == wanted_code)


def coding(value: Any) -> tuple[str, str]:
    """System and code of a token; both empty where it is only words."""
    return value.get("system") or "", value.get("code", value.get("value")) or ""


def related(modifier: str, own: tuple[str, str], wanted: str) -> bool:
    """Whether the code subsumes what is wanted (`above`), or is subsumed by it (`below`)."""
    system, code = wanted.split("|")
    low, high = (code, own[1]) if modifier == "above" else (own[1], code)
    return own[0] == system == TREE and high in (low, *ABOVE[low])


def uri_meets(modifier: str, value: str, wanted: str) -> bool:
    if modifier == "below":
        return value == wanted or value.startswith(wanted.rstrip("/") + "/")
    if modifier == "above":
        return value == wanted or wanted.startswith(value.rstrip("/") + "/")
    return value == wanted


def span_of(value: Any) -> Span:
    if isinstance(value, str):
        return span(value)
    low = span(value["start"])[0] if "start" in value else FIRST
    return low, span(value["end"])[1] if "end" in value else LAST


def span(text: str) -> Span:
    """First and last microsecond."""
    tick = timedelta(microseconds=1)
    if re.fullmatch(r"\d{4}", text):
        return datetime(int(text), 1, 1, tzinfo=UTC), datetime(
            int(text) + 1, 1, 1, tzinfo=UTC
        ) - tick
    if re.fullmatch(r"\d{4}-\d\d", text):
        year, month = map(int, text.split("-"))
        days = calendar.monthrange(year, month)[1]
        low = datetime(year, month, 1, tzinfo=UTC)
        return low, low + timedelta(days=days) - tick
    if re.fullmatch(r"\d{4}-\d\d-\d\d", text):
        low = datetime.fromisoformat(text).replace(tzinfo=UTC)
        return low, low + timedelta(days=1) - tick
    low = datetime.fromisoformat(text)
    low = low if low.tzinfo else low.replace(tzinfo=UTC)
    fraction = re.search(r"\.(\d+)", text)
    seconds = text.count(":") - (1 if re.search(r"[+-]\d\d:\d\d$", text) else 0) == 2
    if fraction:
        width = timedelta(microseconds=10 ** (6 - len(fraction[1])))
    else:
        width = timedelta(seconds=1) if seconds else timedelta(minutes=1)
    return low, low + width - tick


def quantity_span(value: Any) -> tuple[Decimal, bool, Decimal, bool]:
    """(low, whether it belongs to it, high, whether it belongs to it)."""
    number = Decimal(repr(value["value"]))
    match value.get("comparator"):
        case "<":
            return -INFINITE, True, number, False
        case "<=":
            return -INFINITE, True, number, True
        case ">":
            return number, False, INFINITE, True
        case ">=":
            return number, True, INFINITE, True
    return number, True, number, True


def quantity_meets(value: Any, wanted: str) -> bool:
    prefix, text = prefixed(wanted)
    number_text, *unit = text.split("|")
    number = Decimal(number_text)
    factor = Decimal(1)
    if unit:
        system, code = unit
        if system == UCUM and value.get("system") == UCUM:
            (own_base, own), (base, other) = TO_BASE[value["code"]], TO_BASE[code]
            if own_base != base:
                return False
            factor = Decimal(own) / Decimal(other)
        elif system:
            if (value.get("system"), value.get("code")) != (system, code):
                return False
        elif code not in (value.get("code"), value.get("unit")):
            return False
    low, low_in, high, high_in = quantity_span(value)
    low, high = low * factor, high * factor
    places = len(number_text.partition(".")[2])
    half = Decimal(5).scaleb(-places - 1)
    inside = number - half <= low and (
        high < number + half or (high == number + half and not high_in)
    )
    tenth = abs(number) / 10
    return {
        "eq": inside,
        "ne": not inside,
        "gt": high > number,
        "lt": low < number,
        "ge": high > number or (high == number and high_in),
        "le": low < number or (low == number and low_in),
        "sa": low > number or (low == number and not low_in),
        "eb": high < number or (high == number and not high_in),
        "ap": (low < number + tenth or (low == number + tenth and low_in))
        and (high > number - tenth or (high == number - tenth and high_in)),
    }[prefix]


def sort_value(type_: str, code: str, descending: bool, resource: Resource) -> Any:
    """What a resource is sorted by; None where it has no value."""
    if code == "_id":
        return resource["id"]
    kind, walk = PATHS[type_][code]
    values = walk(resource)
    match kind:
        case "string":
            keys = [fold(value) for value in values]
        case "token":
            coded = [value for value in values if "words" not in value]
            keys = [value.get("code", value.get("value")) or "" for value in coded]
        case "date":
            keys = [span_of(value)[0] for value in values]
        case "quantity":
            # `>5` begins just after 5.
            spans = [quantity_span(value) for value in values]
            keys = [(low, not within) for low, within, _, _ in spans]
        case "reference":
            texts = [v for v in values if isinstance(v, str)]
            texts += [v.partition("|")[0] for v in texts]
            texts += [r["reference"] for r in values if isinstance(r, dict) and "reference" in r]
            texts = [text for text in texts if not text.startswith("#")]
            keys = [t if ":" in t else t.partition("/")[2] for t in texts]
        case _:
            keys = values
    return (max(keys) if descending else min(keys)) if keys else None
