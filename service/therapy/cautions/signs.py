"""Is this sign on record? Each kind of sign is a small function; the rules' files say which.

A sign answers with the resources that show it, in words, so that a person can look at them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

from service.therapy.cautions.record import Record
from service.therapy.cautions.rules import CodeSet, Sign
from service.therapy.cautions.wording import names_in, says
from service.therapy.moments import Moment, moment, moment_in
from service.therapy.references import named, target, words
from service.therapy.techniques import codes_of

Resource = dict[str, Any]
Convert = Callable[[float, str, str], float | None]
"""A number from one UCUM unit to another; None where that is not possible."""


@dataclass(frozen=True, slots=True)
class Finding:
    """A resource that shows a sign; `by_words` where only its words tell."""

    reference: str
    text: str
    by_words: bool = False


def findings(sign: Sign, record: Record, convert: Convert) -> list[Finding]:
    """What on record shows this sign; empty where nothing does."""
    if sign.falls_by is not None:
        return _enough(sign, _falls(sign, record))
    if sign.above is not None:
        return _enough(sign, _after_sessions(sign, record, convert))
    if sign.latest is not None:
        return list(_latest(sign, record))
    if sign.answers:
        return _enough(sign, _answers(sign, record))
    return list(_named(sign, record))


def _named(sign: Sign, record: Record) -> Iterator[Finding]:
    """Resources with one of the codes, or one of the phrases in their names."""
    held = record.of(sign.type, within_days=sign.within_days, or_ended=sign.or_ended)
    for resource in held:
        concepts = list(_concepts(resource))
        coded = any(_is_in(concept, sign.codes) for concept in concepts)
        coded = coded or (sign.only_tube and _feeds_by_tube_only(resource))
        worded = any(
            says(name, sign.words, allergy=sign.type == "AllergyIntolerance")
            for concept in concepts
            for name in names_in(concept)
        )
        if (coded and worded) if sign.both else (coded or worded):
            yield Finding(_name(resource), _title(resource), by_words=not coded)


def _answers(sign: Sign, record: Record) -> Iterator[Finding]:
    for observation in _observations(sign, record):
        answer = observation.get("valueCodeableConcept")
        if _is_in(answer, sign.answers):
            yield Finding(_name(observation), words(answer))


def _latest(sign: Sign, record: Record) -> Iterator[Finding]:
    """The last value there is, where it is no higher than the level."""
    assert sign.latest is not None
    dated = [(at, each) for each in _observations(sign, record) if (at := _effective(each))]
    if not dated:
        return
    _, last = max(dated, key=lambda pair: pair[0].order)
    value = _number(last)
    if value is not None and value <= sign.latest.at_most:
        yield Finding(_name(last), f"{words(last.get('code'))} {value:g}")


def _falls(sign: Sign, record: Record) -> Iterator[Finding]:
    """Values of one session (its Encounter, else its day) that fall from the first one."""
    assert sign.falls_by is not None
    sessions: dict[str, list[tuple[Moment, float, Resource]]] = {}
    for observation in _observations(sign, record):
        at, value = _effective(observation), _number(observation)
        if at is None or value is None or _unit(observation) != sign.falls_by.unit:
            continue
        session = target(observation.get("encounter")) or f"day {at.day}"
        sessions.setdefault(session, []).append((at, value, observation))
    for values in sessions.values():
        values.sort(key=lambda each: each[0].order)
        _, first, _ = values[0]
        _, lowest, shown = min(values, key=lambda each: each[1])
        if first - lowest >= sign.falls_by.value:
            name = words(shown.get("code"))
            yield Finding(_name(shown), f"{name} fell from {first:g} to {lowest:g}")


def _after_sessions(sign: Sign, record: Record, convert: Convert) -> Iterator[Finding]:
    """Values above the limit, within so many hours of the end of a session."""
    assert sign.above is not None
    ends = [end for each in record.of("Encounter") if (end := _end(each)) is not None]
    for observation in _observations(sign, record):
        at, value = _effective(observation), _number(observation)
        if at is None or value is None:
            continue
        converted = convert(value, _unit(observation), sign.above.unit)
        if converted is None or converted <= sign.above.value:
            continue
        if any(_follows(at, end, sign.hours_after_session or 0) for end in ends):
            yield Finding(_name(observation), f"{words(observation.get('code'))} {value:g}")


def _follows(at: Moment, end: Moment, hours: int) -> bool:
    if at.second is not None and end.second is not None:
        return 0 <= at.second - end.second <= hours * 3600
    return 0 <= at.day - end.day <= hours / 24


def _observations(sign: Sign, record: Record) -> Iterator[Resource]:
    for observation in record.of("Observation", within_days=sign.within_days):
        if _is_in(observation.get("code"), sign.observation):
            yield observation


def _enough(sign: Sign, shown: Iterator[Finding]) -> list[Finding]:
    found = list(shown)
    return found if len(found) >= sign.times else []


def _concepts(resource: Resource) -> Iterator[Any]:
    """Where a type says what it is about."""
    if isinstance(resource.get("code"), dict):
        yield resource["code"]
    sites = resource.get("bodySite", ())
    yield from sites if isinstance(sites, list) else [sites]
    for reaction in resource.get("reaction", ()):
        yield reaction.get("substance")
    diet = resource.get("oralDiet", {})
    yield from diet.get("type", ())
    yield from diet.get("fluidConsistencyType", ())
    if "instruction" in diet:
        yield {"text": diet["instruction"]}
    if resource["resourceType"] == "Procedure":
        yield resource.get("category")


def _feeds_by_tube_only(order: Resource) -> bool:
    return "enteralFormula" in order and "oralDiet" not in order and "supplement" not in order


def _is_in(concept: Any, sets: tuple[CodeSet, ...]) -> bool:
    return any(each.holds(*code) for code in codes_of(concept) for each in sets)


def _effective(observation: Resource) -> Moment | None:
    return moment_in(observation, "effective")


def _number(observation: Resource) -> float | None:
    value = observation.get("valueQuantity", {}).get("value", observation.get("valueInteger"))
    return None if value is None else float(value)


def _unit(observation: Resource) -> str:
    quantity = observation.get("valueQuantity", {})
    return str(quantity.get("code") or quantity.get("unit") or "")


def _end(encounter: Resource) -> Moment | None:
    period = encounter.get("period", {})
    return moment(str(period.get("end") or period.get("start") or ""))


def _title(resource: Resource) -> str:
    return words(resource.get("code")) or str(resource["resourceType"])


def _name(resource: Resource) -> str:
    return named(resource) if "id" in resource else str(resource["resourceType"])
