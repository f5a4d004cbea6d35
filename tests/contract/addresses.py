"""Which addresses are there below /fhir, and some that are not?

The shapes are those of the table at http://hl7.org/fhir/R4/http.html#summary.
"""

from __future__ import annotations

from collections.abc import Iterator

TYPES = ("Patient", "Observation", "CarePlan", "PlanDefinition", "ValueSet", "CodeSystem", "Binary")
"""Those that have operations of their own, and some. `test_capability.py` asks all of them."""

METHODS = ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE", "PROPFIND")

SYSTEM = (
    "",
    "metadata",
    ".well-known/smart-configuration",
    "_history",
    "_search",
    "$validate",
    "$everything",
    "$nothing",
)
OF_TYPE = (
    "",
    "/_search",
    "/_history",
    "/$validate",
    "/$everything",
    "/$lastn",
    "/never-there",
    "/never-there/_history",
    "/never-there/_history/1",
    "/never-there/$validate",
    "/never-there/$everything",
    "/never-there/$diff",
    "/never-there/Observation",
    "/never-there/Observation/_search",
    "/never-there/*",
)
NOWHERE = (
    "Nothing",
    "Nothing/1",
    "Nothing/1/_history",
    "patient",
    "Bundle",
    "Parameters/1",
    "metadata/1",
    "_history/1",
    "_search/1",
    "Patient/1/_history/1/1",
    "Patient/1/Observation/1",
    "Patient/1/Nothing",
    "Group/1/Observation",
    "a/b/c/d/e/f/g",
    "$",
    "Patient/$",
    "Patient//_history",
    "Patient%2F1",
    "Patient/..%2F..%2Fetc%2Fpasswd",
    "Patient/%2e%2e",
    "Patient/%00",
    "Patient/%0d%0aX:%20y",
    "Patient/%zz",
    "Patient/%ff",
    "Patient/%C3%A9",
    "Patient/" + "a" * 8000,
    "/".join(["Patient"] * 500),
)


def addresses() -> Iterator[str]:
    """All of them once, types of resources one by one."""
    yield from SYSTEM
    for kind in TYPES:
        yield from (kind + rest for rest in OF_TYPE)
    yield from NOWHERE
