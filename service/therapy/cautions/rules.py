"""Which rules are there? Data of `mappings/cautions`, one file a rule.

A rule fires when one of its signs (`when`) is on record and one of the techniques is concerned.
`README.md` beside the files tells what may stand in them; what is not told there is refused here,
so that a misspelt word does not silence a rule.
"""

from __future__ import annotations

import functools
import json
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any, Literal, get_args

from service.data import mappings

Severity = Literal["high", "moderate", "low"]

LEFT_TO = "Defer to local rules and the licensed therapist."
"""How every wording ends: a warning leaves the decision where it belongs."""


@dataclass(frozen=True, slots=True)
class CodeSet:
    """Codes of one system; with `below`, also every code that begins with one of them.

    `grade` is B where a code was read in second-hand sources only.
    """

    system: str
    codes: tuple[str, ...]
    below: bool = False
    grade: str = "A"

    def holds(self, system: str, code: str) -> bool:
        """Whether this coding is one of them."""
        if system != self.system:
            return False
        return code.startswith(self.codes) if self.below else code in self.codes


@dataclass(frozen=True, slots=True)
class Amount:
    """A number with its UCUM unit."""

    value: float
    unit: str


@dataclass(frozen=True, slots=True)
class Level:
    """Holds for a value that is no higher than `at_most`."""

    at_most: float


@dataclass(frozen=True, slots=True)
class Sign:
    """What is looked for in resources of one type."""

    type: str
    codes: tuple[CodeSet, ...] = ()
    words: tuple[str, ...] = ()
    both: bool = False
    within_days: int | None = None
    or_ended: bool = False
    only_tube: bool = False
    observation: tuple[CodeSet, ...] = ()
    answers: tuple[CodeSet, ...] = ()
    times: int = 1
    latest: Level | None = None
    above: Amount | None = None
    falls_by: Amount | None = None
    hours_after_session: int | None = None


@dataclass(frozen=True, slots=True)
class Concerns:
    """Techniques that list one of these cautions, or whose stimulus has one of these facts."""

    listed: frozenset[str] = frozenset()
    stimulus: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Rule:
    """A rule; `key` is also its code in our caution code system."""

    key: str
    severity: Severity
    when: tuple[Sign, ...]
    concerns: Concerns
    wording: str
    source: str
    title: str = ""


@functools.cache
def rules() -> tuple[Rule, ...]:
    """The rules in the order of their files' names. Raises ValueError naming a file that is off."""
    content = json.loads(mappings("code-systems", "caution.json").read_bytes())
    titles = {concept["code"]: concept["display"] for concept in content["concept"]}
    found = []
    for path in sorted(mappings("cautions").glob("*.json")):
        try:
            found.append(rule_of(json.loads(path.read_bytes()), titles))
        except (KeyError, TypeError, ValueError) as error:
            raise ValueError(f"mappings/cautions/{path.name}: {error}") from error
    return tuple(found)


def rule_of(data: Mapping[str, Any], titles: Mapping[str, str]) -> Rule:
    """A rule from its file. Raises KeyError, TypeError or ValueError where it is not well made."""
    if data["severity"] not in get_args(Severity):
        raise ValueError(f"severity {data['severity']!r} is none of high, moderate, low")
    if not data["wording"].endswith(LEFT_TO):
        raise ValueError(f"the wording must end with {LEFT_TO!r}")
    if not data["source"] or not data["when"]:
        raise ValueError("a rule needs its source and at least one sign")
    concerns = {name: frozenset(values) for name, values in data["concerns"].items()}
    given = dict(data) | {
        "when": tuple(_sign(each) for each in data["when"]),
        "concerns": Concerns(**concerns),
        "title": titles[data["key"]],
    }
    return Rule(**given)


_KINDS: Mapping[str, Any] = {
    "codes": lambda value: tuple(_code_set(each) for each in value),
    "observation": lambda value: tuple(_code_set(each) for each in value),
    "answers": lambda value: tuple(_code_set(each) for each in value),
    "words": tuple,
    "latest": lambda value: Level(**value),
    "above": lambda value: Amount(**value),
    "falls_by": lambda value: Amount(**value),
}
_NAMES = frozenset(field.name for field in fields(Sign))


def _sign(data: Mapping[str, Any]) -> Sign:
    unknown = sorted(set(data) - _NAMES)
    if unknown:
        raise ValueError(f"a sign has no {', '.join(unknown)}")
    sign = Sign(**{name: _KINDS.get(name, _as_it_is)(value) for name, value in data.items()})
    if sign.type == "Observation" and not sign.observation:
        raise ValueError("a sign of type Observation needs observation")
    if sign.type == "Procedure" and not sign.codes:
        raise ValueError("a sign of type Procedure needs codes, of its category")
    if sign.type != "Observation" and not (sign.codes or sign.words or sign.only_tube):
        raise ValueError(f"a sign of type {sign.type} needs codes or words")
    return sign


def _as_it_is(value: Any) -> Any:
    return value


def _code_set(data: Mapping[str, Any]) -> CodeSet:
    return CodeSet(**{**data, "codes": tuple(data["codes"])})
