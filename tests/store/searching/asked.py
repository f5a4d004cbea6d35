"""Searches drawn from what the invented clinic holds, so that most of them find something."""

from __future__ import annotations

import random
from typing import Any

from tests.store.searching.invented_clinic import (
    CODES,
    DATES,
    KINDS,
    NUMBERS,
    TREE,
    UCUM,
    WORDS,
)
from tests.store.searching.invented_terms import ABOVE, VALUE_SETS
from tests.store.searching.naive_search import COMPOSITES, PATHS, Naive, each

SETS = ["in", "not-in", "above", "below"]
PREFIXES = ["", "", "eq", "ne", "gt", "lt", "ge", "le", "sa", "eb", "ap"]
CHAINS = [
    ("Observation", "patient.family"),
    ("Observation", "subject:Patient.gender"),
    ("Observation", "subject.identifier"),
    ("Observation", "encounter.status"),
    ("Observation", "part-of:Procedure.code"),
    ("Observation", "part-of:Procedure.based-on:CarePlan.date"),
    ("Observation", "part-of:Procedure.encounter.patient.general-practitioner:Practitioner.name"),
    ("Observation", "patient.general-practitioner:Organization.name"),
    ("Observation", "patient.birthdate:missing"),
    ("Procedure", "based-on:CarePlan.status"),
    ("Procedure", "based-on:CarePlan._id"),
    ("CarePlan", "replaces.replaces.status"),
    ("CarePlan", "patient._has:Observation:patient:code"),
    ("QuestionnaireResponse", "questionnaire.title"),
    ("QuestionnaireResponse", "questionnaire.context-type"),
    ("Patient", "_has:Observation:patient:code"),
    ("Patient", "_has:Observation:patient:code:in"),
    ("Patient", "_has:Observation:patient:code:not-in"),
    ("Observation", "part-of:Procedure.code:below"),
    ("Observation", "part-of:Procedure.code:in"),
    ("Patient", "_has:Observation:subject:value-quantity"),
    ("Patient", "_has:Encounter:patient:date"),
    ("Patient", "_has:CarePlan:patient:_has:Procedure:based-on:code"),
    ("Patient", "_has:Observation:patient:component-code-value-quantity"),
    ("Practitioner", "_has:Patient:general-practitioner:gender"),
    ("Encounter", "_has:Observation:encounter:part-of:Procedure.date"),
    ("Questionnaire", "_has:QuestionnaireResponse:questionnaire:authored"),
]


class Asker:
    """Draws searches."""

    def __init__(self, seed: int, naive: Naive) -> None:
        self.dice = random.Random(seed)
        self.naive = naive

    def search(self) -> tuple[str, list[tuple[str, str]]]:
        """A type and one to three pairs."""
        if self.dice.random() < 0.25:
            type_, name = self.dice.choice(CHAINS)
            pairs = [(name, self.last_value(type_, name))]
            return type_, pairs + self.pairs(type_, self.dice.choice([0, 0, 1]))
        type_ = self.dice.choice([*PATHS, "Observation", "Observation", "Patient"])
        return type_, self.pairs(type_, self.dice.choice([1, 1, 2, 3]))

    def pairs(self, type_: str, count: int) -> list[tuple[str, str]]:
        codes = [*PATHS[type_], *(code for t, code in COMPOSITES if t == type_)]
        return [self.pair(type_, self.dice.choice(codes)) for _ in range(count)]

    def last_value(self, type_: str, name: str) -> str:
        """A value for the last parameter of a chain."""
        place, rest = type_, name
        while True:
            if rest.startswith("_has:"):
                _, place, _, rest = rest.split(":", 3)
                continue
            head, dot, tail = rest.partition(".")
            code, _, modifier = head.partition(":")
            if not dot:
                break
            targets = {
                target["resourceType"]
                for r in self.naive.all
                if r["resourceType"] == place
                for reference in PATHS[place][code][1](r)
                for target in self.naive.targets(reference)
            }
            place, rest = modifier or sorted(targets)[0], tail
        if code == "_id":
            return str(self.any_of(place)["id"])
        if modifier == "missing":
            return self.dice.choice(["true", "false"])
        return self.of_sets(modifier) if modifier in SETS else self.values(place, code)

    def pair(self, type_: str, code: str) -> tuple[str, str]:
        kind = "composite" if (type_, code) in COMPOSITES else PATHS[type_][code][0]
        modifiers = {
            "string": ["", "", "exact", "contains", "missing"],
            "token": ["", "", "", "not", "missing", "text", "of-type", *SETS],
            "reference": ["", "", "identifier", "missing", "typed"],
            "uri": ["", "below", "above", "missing"],
        }.get(kind, ["", "", "", "missing"])
        modifier = self.dice.choice(modifiers)
        if kind == "composite" or (kind == "reference" and code == "questionnaire"):
            modifier = ""
        if modifier == "missing":
            return f"{code}:missing", self.dice.choice(["true", "false"])
        if modifier == "identifier":
            return f"{code}:identifier", self.token({"system": "urn:oid:1.2.3", "value": "N3"})
        if modifier in SETS and kind == "token":
            return f"{code}:{modifier}", self.of_sets(modifier)
        if modifier == "of-type":
            if code != "identifier":
                return self.pair(type_, code)
            return f"{code}:of-type", f"{KINDS}|MR|N{self.dice.randint(0, 12)}"
        if modifier == "typed":
            reference = self.value_at(type_, code)
            local, _, id_ = (reference or {}).get("reference", "").partition("/")
            if local in PATHS:
                return f"{code}:{local}", id_
            modifier = ""
        name = f"{code}:{modifier}" if modifier else code
        return name, self.values(type_, code, modifier)

    def of_sets(self, modifier: str) -> str:
        """Value sets, or codes with a place in the tree."""
        count = self.dice.choice([1, 1, 2])
        if modifier in ("in", "not-in"):
            return ",".join(self.dice.sample(sorted(VALUE_SETS), count))
        return ",".join(f"{TREE}|{code}" for code in self.dice.sample(sorted(ABOVE), count))

    def values(self, type_: str, code: str, modifier: str = "") -> str:
        count = self.dice.choice([1, 1, 1, 2, 3])
        return ",".join(self.value(type_, code, modifier) for _ in range(count))

    def any_of(self, type_: str) -> Any:
        return self.dice.choice([r for r in self.naive.all if r["resourceType"] == type_])

    def value_at(self, type_: str, code: str) -> Any:
        for _ in range(20):
            if found := PATHS[type_][code][1](self.any_of(type_)):
                return self.dice.choice(found)
        return None

    def value(self, type_: str, code: str, modifier: str = "") -> str:
        if (type_, code) in COMPOSITES:
            _, *halves = COMPOSITES[type_, code]
            return "$".join(self.of_kind(kind, None, "") for kind, _ in halves)
        return self.of_kind(PATHS[type_][code][0], self.value_at(type_, code), modifier)

    def of_kind(self, kind: str, found: Any, modifier: str) -> str:
        match kind:
            case "string":
                text = found or "Novak"
                if modifier == "contains":
                    start = self.dice.randrange(len(text))
                    return text[start : start + 3] or text
                return text if modifier == "exact" else text[: self.dice.choice([1, 3, 99])]
            case "token" if modifier == "text":
                text = self.dice.choice(WORDS)
                return text[: self.dice.choice([2, 4, 99])]
            case "token":
                return self.token(found)
            case "reference":
                return self.reference(found)
            case "date":
                return self.dice.choice(PREFIXES) + self.dice.choice(
                    [*DATES, "1950-03", "2024-03-05T10:30"]
                )
            case "quantity":
                return self.quantity()
            case "uri":
                text = found or "http://forms.example"
                if modifier == "below":
                    return str(text).rsplit("/", self.dice.choice([1, 2]))[0]
                return str(text) + ("/more/" if modifier == "above" else "")
        raise AssertionError(kind)

    def token(self, found: Any) -> str:
        if found is None or "words" in found:
            system, code = self.dice.choice(CODES)
        else:
            system, code = found.get("system") or "", found.get("code", found.get("value"))
        forms = [code, code, f"{system}|{code}", f"|{code}"]
        return str(self.dice.choice([*forms, f"{system}|"] if system else forms))

    def reference(self, found: Any) -> str:
        if found is None:
            return "Patient/nobody"
        if isinstance(found, str):
            return self.dice.choice([found, found.partition("|")[0]])
        literal = str(found.get("reference", "Patient/nobody"))
        if literal.startswith("#"):
            return "inside"
        if literal.startswith("http"):
            return literal
        absolute = self.naive.base + literal
        return self.dice.choice([literal, literal.partition("/")[2], absolute])

    def quantity(self) -> str:
        number = self.dice.choice(PREFIXES) + self.dice.choice([*NUMBERS, "5.40", "500", "0.1"])
        units = [
            "",
            "",
            f"|{UCUM}|kPa",
            f"|{UCUM}|Pa",
            f"|{UCUM}|ms",
            "||kPa",
            "||strokes",
            "||sec",
        ]
        return number + self.dice.choice(units)


__all__ = ["Asker", "each"]
