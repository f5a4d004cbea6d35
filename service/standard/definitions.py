"""What does the published definition of R4 say about a type, an element, a search parameter?

Loads the tables that `mappings/r4/compile.py` makes from the official package, once. Sources:
StructureDefinition, SearchParameter, ValueSet, CodeSystem and CompartmentDefinition of
hl7.fhir.r4.core 4.0.1.
"""

from __future__ import annotations

import functools
from collections.abc import Iterator, Mapping
from types import MappingProxyType
from typing import Any

import orjson

from service.data import mappings
from service.standard.definition_types import (
    ANY,
    Component,
    Element,
    Invariant,
    Kind,
    Primitive,
    SearchParameter,
)
from service.standard.registry import RESOURCE_TYPES

__all__ = [
    "ANY",
    "Component",
    "Definitions",
    "Element",
    "Invariant",
    "Kind",
    "Primitive",
    "SearchParameter",
    "definitions",
]


class Definitions:
    """The tables, read-only."""

    def __init__(self, tables: Mapping[str, Any]) -> None:
        self._parameters = _parameters(tables["search-parameters"])
        self._hidden = dict(_twins(tables["search-parameters"]))
        self._elements = _elements(tables["elements"], tables["primitives"])
        self._bindings = {url: _codes(entry) for url, entry in tables["bindings"].items()}
        self._systems = {url: _system(entry) for url, entry in tables["bindings"].items()}
        self._invariants = _invariants(tables["invariants"])
        self._primitives = {name: Primitive(name, **p) for name, p in tables["primitives"].items()}
        self._compartment = {name: tuple(codes) for name, codes in tables["compartment"].items()}
        self._bases = {
            name: row["base"]
            for rows in ("elements", "primitives")
            for name, row in tables[rows].items()
        }

    def search_parameters(self, type: str) -> Mapping[str, SearchParameter]:
        """All that may be announced for this type by code, `_id` and its like included."""
        return self._parameters[type]

    def search_parameter(self, type: str, code: str) -> SearchParameter | None:
        """The parameter, also one that is not announced: the tokens `subject:identifier`,
        `identifier:of-type`."""
        known = self._parameters.get(type, {}).get(code)
        return known or self._hidden.get((type, code))

    def parameter_number(self, type: str, code: str) -> int:
        """The number of a parameter that R4 has; raises LookupError for any other."""
        found = self.search_parameter(type, code)
        if found is None:
            raise LookupError(f"R4 has no search parameter {code} of {type}")
        return found.number

    def elements(self, path: str) -> Mapping[str, Element]:
        """Elements of a type or backbone element (`Observation.component`) by name in JSON."""
        return self._elements.get(path, MappingProxyType({}))

    def binding(self, value_set: str) -> Mapping[str, str] | None:
        """System by code for a closed value set; None where it is open or unknown."""
        return self._bindings.get(value_set)

    def binding_system(self, value_set: str, code: str) -> str:
        """The system that a bare `code` in an element of this binding is of; empty: unknown."""
        codes = self._bindings.get(value_set)
        return self._systems.get(value_set, "") if codes is None else codes.get(code, "")

    def invariants(self, path: str) -> tuple[Invariant, ...]:
        """Rules stated at this path, a type (`Observation`, `Quantity`) or an element of one.

        `ele-1` and `ext-1` hold for every element but are only given at types and at `Element`
        and `Extension`.
        """
        return self._invariants.get(path, ())

    def invariant_paths(self) -> tuple[str, ...]:
        """Every path that has a rule."""
        return tuple(self._invariants)

    def primitive(self, name: str) -> Primitive | None:
        """A primitive datatype; None for complex ones."""
        return self._primitives.get(name)

    def is_a(self, name: str, base: str) -> bool:
        """Whether a type is `base` or specialises it: canonical is a uri, Age is a Quantity."""
        while name and name != base:
            name = self._bases.get(name, "")
        return bool(name)

    def compartment(self, type: str) -> tuple[str, ...]:
        """Parameters that put a resource of this type into a patient's compartment."""
        return self._compartment.get(type, ())


@functools.cache
def definitions() -> Definitions:
    """The tables of R4, read at the first call."""
    names = (
        "search-parameters",
        "elements",
        "bindings",
        "invariants",
        "primitives",
        "compartment",
    )
    return Definitions(
        {name: orjson.loads(mappings("r4", f"{name}.json").read_bytes()) for name in names}
    )


def _parameters(table: Mapping[str, Any]) -> dict[str, Mapping[str, SearchParameter]]:
    return {
        type_: MappingProxyType({code: _parameter(type_, code, rows) for code in rows})
        for type_, rows in table.items()
    }


def _parameter(type_: str, code: str, rows: Mapping[str, Any]) -> SearchParameter:
    row = rows[code]
    components = (
        Component(
            part["code"],
            rows[part["code"]]["kind"],
            rows[part["code"]]["number"],
            part["expression"],
        )
        for part in row.get("components", ())
    )
    targets = row.get("targets", ())
    return SearchParameter(
        type=type_,
        code=code,
        number=row["number"],
        kind=row["kind"],
        expression=row["expression"],
        url=row["url"],
        targets=RESOURCE_TYPES if targets == [ANY] else tuple(targets),
        components=tuple(components),
    )


_TWINS = ("identifier", "of-type")


def _twins(table: Mapping[str, Any]) -> Iterator[tuple[tuple[str, str], SearchParameter]]:
    """Reference.identifier, and an Identifier with its type, are searched as tokens under
    numbers of their own."""
    for type_, rows in table.items():
        for code, row in rows.items():
            for name in _TWINS:
                if name not in row:
                    continue
                twin, number = f"{code}:{name}", row[name]
                yield (
                    (type_, twin),
                    SearchParameter(type_, twin, number, "token", row["expression"], row["url"]),
                )


def _elements(
    table: Mapping[str, Any], primitives: Mapping[str, Any]
) -> dict[str, Mapping[str, Element]]:
    found: dict[str, Mapping[str, Element]] = {"": MappingProxyType({})}

    def of(path: str) -> Mapping[str, Element]:
        if path not in found:
            own = table[path]["elements"].items()
            named = {e.name: e for name, row in own for e in _choices(name, row, primitives)}
            found[path] = MappingProxyType({**of(table[path]["base"]), **named})
        return found[path]

    for path in table:
        of(path)
    return found


def _choices(name: str, row: Mapping[str, Any], primitives: Mapping[str, Any]) -> Iterator[Element]:
    choice = name.removesuffix("[x]") if name.endswith("[x]") else ""
    for code, targets in row["types"].items():
        primitive = code in primitives
        yield Element(
            name=choice + code[0].upper() + code[1:] if choice else name,
            types=(code,),
            min=row["min"],
            max=row["max"],
            binding=row.get("binding"),
            targets=tuple(targets) or ((ANY,) if code == "Reference" else ()),
            children=row.get("children", "" if primitive else code),
            choice=choice,
            profile=row.get("profile", ""),
            summary=row.get("summary", False),
            modifier=row.get("modifier", False),
        )


def _codes(entry: Mapping[str, Any]) -> Mapping[str, str] | None:
    if "open" in entry:
        return None
    pairs = [(code, system) for system, codes in entry["codes"].items() for code in codes]
    return MappingProxyType(dict(reversed(pairs)))


def _system(entry: Mapping[str, Any]) -> str:
    return str(entry.get("open", ""))


def _invariants(table: Mapping[str, Any]) -> dict[str, tuple[Invariant, ...]]:
    rules = {
        name: Invariant(key=name.partition("@")[0], **said)
        for name, said in table["constraints"].items()
    }
    return {path: tuple(rules[name] for name in names) for path, names in table["paths"].items()}
