"""What do the stored resources add up to? Counted from FHIR JSON, for comparison with raw rows."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from decimal import Decimal
from typing import Any

Json = dict[str, Any]
Fetch = Callable[[str], list[Json]]


def _codes(concept: Json) -> set[str]:
    return {coding["code"] for coding in concept.get("coding", ())}


def counted(fetch: Fetch) -> Counter[str]:
    """The totals of one client's record; `fetch` gives all resources of a type."""
    found: Counter[str] = Counter()
    for encounter in fetch("Encounter"):
        found["sessions"] += 1
        found["missed"] += encounter["status"] == "cancelled"
    for procedure in fetch("Procedure"):
        found["techniques"] += procedure["status"] == "completed"
        for part in procedure.get("extension", [{}])[0].get("extension", ()):
            found["trials"] += part.get("valueUnsignedInt", 0)
            if part["url"] == "strokesPerSide":
                found["strokes"] += part["valuePositiveInt"]
    for observation in fetch("Observation"):
        codes = _codes(observation["code"])
        if "swallow-delay" in codes:
            found["measures"] += 1
            value = Decimal(str(observation["valueQuantity"]["value"]))
            found["hundredths"] += int(value * 100)
        found["events"] += "tolerance" in codes
        for part in observation.get("component", ()):
            if "wanted-trials" in _codes(part["code"]):
                found["successes"] += part["valueQuantity"]["value"]
    return found
