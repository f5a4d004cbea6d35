"""Which search parameters has each type, and what is the number of each?

Part of `compile.py`; source: SearchParameter of the official package. An expression that joins
paths of several types is cut to those of the type at hand.
"""

from __future__ import annotations

import re
from typing import Any

from service.standard.registry import RESOURCE_TYPES

GENOMICS = ("observation-genetic-", "diagnosticreport-genetic-")
ANY = "Resource"
"""Stands for "any type" where the official list of targets names every type there is."""


def parameters_of(
    package: dict[str, Any], overlay: dict[str, Any], elements: dict[str, Any], ledger: list[str]
) -> dict[str, dict[str, Any]]:
    """Parameters by type and code; new ones are appended to the ledger."""
    official = _official(package, overlay)
    by_url = {parameter["url"]: parameter for parameter in official}
    tables: dict[str, dict[str, Any]] = {}
    for name in RESOURCE_TYPES:
        bases = {name, "Resource"} | ({"DomainResource"} if _is_domain(name, elements) else set())
        rows = {
            parameter["code"]: _row(parameter, name, by_url, elements)
            for parameter in official
            if bases & set(parameter["base"])
        }
        tables[name] = dict(sorted(rows.items()))
        for code, row in tables[name].items():
            row["number"] = _number(f"{name}?{code}", ledger)
            if row["kind"] == "reference":
                row["identifier"] = _number(f"{name}?{code}:identifier", ledger)
            if row["kind"] == "token" and _are_identifiers(row["expression"], elements):
                row["of-type"] = _number(f"{name}?{code}:of-type", ledger)
    return tables


def _official(package: dict[str, Any], overlay: dict[str, Any]) -> list[dict[str, Any]]:
    changes, left_out = overlay["search-parameters"], overlay["left-out"]
    found = []
    for resource in package.values():
        name = resource.get("id", "")
        if resource["resourceType"] != "SearchParameter" or name in left_out:
            continue
        if name.startswith(GENOMICS):
            continue
        parameter = resource | changes.get(name, {}).get("change", {})
        if "base" in parameter:
            found.append(parameter)
    return found


def _is_domain(name: str, elements: dict[str, Any]) -> bool:
    return bool(elements[name]["base"] == "DomainResource")


def _number(key: str, ledger: list[str]) -> int:
    if key not in ledger:
        ledger.append(key)
    return ledger.index(key) + 1


def _row(
    parameter: dict[str, Any], name: str, by_url: dict[str, Any], elements: dict[str, Any]
) -> dict[str, Any]:
    expression = _cut(parameter["expression"], name)
    row: dict[str, Any] = {
        "kind": parameter["type"],
        "expression": expression,
        "url": parameter["url"],
    }
    if parameter["type"] == "reference":
        row["targets"] = _targets(parameter.get("target", []), expression, elements)
    if "component" in parameter:
        row["components"] = [
            {
                "code": by_url[component["definition"]]["code"],
                "expression": component["expression"],
            }
            for component in parameter["component"]
        ]
    return row


def _cut(expression: str, name: str) -> str:
    """The alternatives that start at this type (or at any resource)."""
    start = re.compile(rf"^\(?({name}|Resource|DomainResource)\b")
    parts = [part.strip() for part in expression.split(" | ")]
    kept = [part for part in parts if start.match(part)]
    if not kept:
        raise ValueError(f"{expression!r} has nothing for {name}")
    return " | ".join(kept)


def _targets(listed: list[str], expression: str, elements: dict[str, Any]) -> list[str]:
    """Official targets, narrowed to what the elements of this type may refer to."""
    allowed: set[str] = set()
    for part in expression.split(" | "):
        allowed |= _allowed(part, elements)
    if ANY not in allowed:
        listed = [target for target in listed if target in allowed] or sorted(allowed)
    return [ANY] if len(listed) > 100 or not listed else sorted(listed)


def _allowed(part: str, elements: dict[str, Any]) -> set[str]:
    resolved = re.search(r"resolve\(\) is (\w+)", part)
    if resolved:
        return {resolved[1]}
    targets = {target for kind in _last(part, elements).values() for target in kind}
    return targets or {ANY}


def _are_identifiers(expression: str, elements: dict[str, Any]) -> bool:
    """Whether the values are of the datatype Identifier, so that `:of-type` can be asked."""
    if "exists()" in expression or "extension(" in expression:
        return False
    return all("Identifier" in _last(part, elements) for part in expression.split(" | "))


def _last(part: str, elements: dict[str, Any]) -> dict[str, list[str]]:
    """The types, each with its targets, of the last element of a path."""
    plain = re.sub(r"\.where\([^)]*\)|\.as\([^)]*\)|\(|\)| as \w+", "", part)
    place, *steps = plain.split(".")
    for step in steps[:-1]:
        element = _find(place, step, elements)
        place = element.get("children") or next(iter(element["types"]))
    types: dict[str, list[str]] = _find(place, steps[-1], elements).get("types", {})
    return types


def _find(place: str, step: str, elements: dict[str, Any]) -> dict[str, Any]:
    while place in elements:
        own = elements[place]["elements"]
        if step in own or f"{step}[x]" in own:
            found: dict[str, Any] = own.get(step) or own[f"{step}[x]"]
            return found
        place = elements[place]["base"]
    return {"types": {}}
