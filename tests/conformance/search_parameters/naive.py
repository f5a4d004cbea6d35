"""What rows should a node give? A slow, plain reading of R4's search page, for comparison.

Written apart from `service/standard/extraction`: one function a kind of parameter, over what a
FHIRPath engine finds (type and value), with the standard library's own dates and numbers.
"""

from __future__ import annotations

import calendar
import hashlib
import math
import re
import unicodedata
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
MICRO = timedelta(microseconds=1)
OPEN_LOW, OPEN_HIGH = -(2**62), 2**62 - 1
GREATEST = 1.7976931348623157e308
ID = r"[A-Za-z0-9.-]{1,64}"

Rows = set[tuple[Any, ...]]


def rows(kind: str, type: str, value: Any, system: str) -> Rows:
    """Rows without `param` and `grp`; `system` is what the binding of a code implies."""
    if type == "Extension":
        name = next(name for name in value if name.startswith("value"))
        type = name.removeprefix("value")
        return rows(kind, type[0].lower() + type[1:], value[name], "") | rows(
            kind, type, value[name], ""
        )
    match kind:
        case "token":
            return tokens(type, value, system)
        case "reference":
            return references(type, value)
        case "date":
            return {span for span in dates(type, value) if span}
        case "quantity" | "number":
            return quantities(type, value)
        case "string":
            return {(clipped(folded(t)), clipped(t)) for t in texts(type, value) if folded(t)}
        case "uri":
            return {(clipped(url),) for url in urls(type, value)}
    raise AssertionError(kind)


def clipped(text: str) -> str:
    if len(text) > 200:
        return text[:160] + "\u2026" + hashlib.sha256(text.encode()).hexdigest()[:32]
    return text


def folded(text: str) -> str:
    letters = [c for c in unicodedata.normalize("NFKD", text) if unicodedata.combining(c) == 0]
    return re.sub(r"\s+", " ", "".join(letters).casefold()).strip()


def tokens(type: str, value: Any, system: str) -> Rows:
    match type:
        case "CodeableConcept":
            return {
                row for coding in value.get("coding", []) for row in tokens("Coding", coding, "")
            }
        case "Coding":
            found = (clipped(value.get("system", "")), clipped(value.get("code", "")))
        case "Identifier":
            found = (clipped(value.get("system", "")), clipped(value.get("value", "")))
        case "ContactPoint":
            return {(value.get("use", ""), clipped(value["value"]))} if "value" in value else set()
        case "boolean":
            special = "http://terminology.hl7.org/CodeSystem/special-values"
            return {(special, "true" if value else "false")}
        case "code" | "string" | "uri" | "id" | "canonical" | "url":
            return {(system, clipped(value))}
        case _:
            return set()
    return {found} if any(found) else set()


def references(type: str, value: Any) -> Rows:
    if type == "Reference":
        return literal(value["reference"]) if "reference" in value else set()
    if type not in ("canonical", "uri"):
        return set()
    return literal(value) | (literal(value.split("|")[0]) if "|" in value else set())


def literal(text: str) -> Rows:
    if text.startswith("#"):
        return set()
    local = re.fullmatch(rf"([A-Z][A-Za-z]+)/({ID})(/_history/{ID})?", text)
    return {(local[1], local[2])} if local else {("", clipped(text))}


def dates(type: str, value: Any) -> list[tuple[int, int] | None]:
    match type:
        case "date" | "dateTime" | "instant":
            return [moment(value)]
        case "Period":
            return [period(value)]
        case "Timing":
            spans = [moment(event) for event in value.get("event", []) if event]
            bounds = period(value.get("repeat", {}).get("boundsPeriod", {}))
            spans += [bounds] if bounds else []
            if spans:
                return [(min(span[0] for span in spans), max(span[1] for span in spans))]
    return []


def period(value: Any) -> tuple[int, int] | None:
    if "start" not in value and "end" not in value:
        return None
    low = moment(value["start"])[0] if "start" in value else OPEN_LOW
    return low, moment(value["end"])[1] if "end" in value else OPEN_HIGH


def moment(text: str) -> tuple[int, int]:
    if "T" not in text:
        numbers = [int(part) for part in text.split("-")]
        year, month, day = [*numbers, 1, 1][:3]
        start = datetime(year, month, day, tzinfo=UTC)
        days = 366 if calendar.isleap(year) else 365
        if len(numbers) == 2:
            days = calendar.monthrange(year, month)[1]
        return ends(start, timedelta(days=days if len(numbers) < 3 else 1))
    leap = ":60" in text
    fraction = re.search(r"\.(\d+)", text)
    parsed = datetime.fromisoformat(text.replace(":60", ":59"))
    start = parsed if parsed.tzinfo else parsed.replace(tzinfo=UTC)
    width = timedelta(seconds=1)
    if fraction:
        width = timedelta(microseconds=10 ** (6 - len(fraction[1][:6])))
    return ends(start + timedelta(seconds=1 if leap else 0), width)


def ends(start: datetime, width: timedelta) -> tuple[int, int]:
    low = (start - EPOCH) // MICRO
    return low, low + width // MICRO - 1


def quantities(type: str, value: Any) -> Rows:
    """(low, high, system, code, unit); base units are checked elsewhere."""
    match type:
        case "Quantity" | "Age" | "Duration" | "Count" | "Distance":
            if "value" not in value:
                return set()
            return {(*compared(float(value["value"]), value.get("comparator")), *unit(value))}
        case "Money":
            currency = value.get("currency", "")
            system = "urn:iso:std:iso:4217" if currency else ""
            amount = float(value["value"])
            return {(amount, amount, system, currency, "")} if "value" in value else set()
        case "Range":
            low, high = value.get("low", {}), value.get("high", {})
            if "value" not in low and "value" not in high:
                return set()
            lowest, highest = low.get("value", -GREATEST), high.get("value", GREATEST)
            return {(float(lowest), float(highest), *unit(low or high))}
        case "SampledData":
            origin, factor = value["origin"], Decimal(str(value.get("factor", 1)))
            start = Decimal(str(origin["value"]))
            numbers = [
                float(start + Decimal(sample) * factor)
                for sample in value.get("data", "").split()
                if sample not in ("E", "U", "L")
            ]
            return {(min(numbers), max(numbers), *unit(origin))} if numbers else set()
        case "decimal" | "integer" | "positiveInt" | "unsignedInt":
            return {(float(value), float(value), "", "", "")}
    return set()


def compared(value: float, comparator: str | None) -> tuple[float, float]:
    if comparator is None:
        return value, value
    if comparator.startswith("<"):
        return -GREATEST, value if comparator == "<=" else math.nextafter(value, -math.inf)
    return value if comparator == ">=" else math.nextafter(value, math.inf), GREATEST


def unit(value: Any) -> tuple[str, str, str]:
    return value.get("system", ""), value.get("code", ""), value.get("unit", "")


def texts(type: str, value: Any) -> list[str]:
    match type:
        case "string" | "markdown":
            return [value]
        case "HumanName":
            names = ["text", "family", "given", "prefix", "suffix"]
        case "Address":
            names = ["text", "line", "city", "district", "state", "postalCode", "country"]
        case "ContactDetail":
            names = ["name"]
        case _:
            return []
    found: list[str] = []
    for name in names:
        part = value.get(name)
        found += [text for text in (part if isinstance(part, list) else [part]) if text]
    return found


def urls(type: str, value: Any) -> list[str]:
    if type == "canonical" and "|" in value:
        return [value, value.split("|")[0]]
    return [value] if type in ("uri", "url", "oid", "uuid", "canonical") else []
