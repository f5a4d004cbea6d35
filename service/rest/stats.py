"""$stats: the statistics of one client's measurements of a code.

R4: OperationDefinition-Observation-stats. Measurements are quantities with a UCUM unit of the code
itself and of components with the code; not those that were entered in error, that have only a limit
(a comparator), or a modifier extension that may change what they mean. They are brought to the unit
of the latest; where units do not measure the same, nothing is computed.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

from service.errors import Invalid, TooCostly
from service.rest.call import Answer, Call, Service
from service.rest.conversion import convert
from service.rest.parameters import handed
from service.rest.routing import Interaction
from service.rest.stats_question import Code, Question, asked_of
from service.standard.codec import decode_resource, encode
from service.standard.partial_dates import interval
from service.standard.search_query import parse_search
from service.standard.units import SYSTEM as UCUM
from service.store.connection import Connection
from service.store.searching.search import find
from service.therapy.statistics import STATISTICS, SYSTEM, TOTAL, TOTAL_DISPLAY, Statistic

Resource = dict[str, Any]

MOST = 5_000
"""Observations of one code."""
_GREATEST = 1e300
_ESCAPED = str.maketrans({mark: f"\\{mark}" for mark in "\\,$|"})


@dataclass(slots=True)
class Measured:
    """What was found of one code: all Observations of it, their valid values, and the unit."""

    code: Code
    found: list[Resource] = field(default_factory=list)
    numbers: list[float] = field(default_factory=list)
    sources: list[Resource] = field(default_factory=list)
    unit: Resource = field(default_factory=dict)


def show_statistics(service: Service, call: Call, asked: Interaction) -> Answer:
    """Observation/$stats."""
    question = asked_of(handed(service, call), datetime.now(UTC))
    with call.reading(snapshot=True) as connection:
        found = [measured(connection, call, question, code) for code in question.codes]
    told = [{"name": "statistics", "resource": _observation(question, one)} for one in found]
    sources = {source["id"]: source for one in found for source in one.sources}
    shown = list(sources.values())[: question.limit]
    told += [{"name": "source", "resource": source} for source in shown]
    return Answer(200, encode({"resourceType": "Parameters", "parameter": told}))


def measured(connection: Connection, call: Call, question: Question, code: Code) -> Measured:
    """The measurements of a code. Raises TooCostly for too many, Invalid for units at odds."""
    token = "|".join(part.translate(_ESCAPED) for part in code)
    pairs = [("subject", question.subject.translate(_ESCAPED)), ("combo-code", token)]
    pairs.append(("status:not", "entered-in-error"))
    if "start" in question.period:
        pairs.append(("date", f"ge{question.period['start']}"))
    if "end" in question.period:
        pairs.append(("date", f"le{question.period['end']}"))
    query = parse_search("Observation", pairs, strict=True, base=f"{call.base}/")
    stored = find(connection, call.caller, query, limit=MOST + 1)
    if len(stored) > MOST:
        raise TooCostly(f"More than {MOST} Observations of {code[1]}; ask for a shorter period")
    return _read(code, [decode_resource(each.body or b"") for each in stored])


def _read(code: Code, found: list[Resource]) -> Measured:
    """The valid values of these Observations, in the unit of the latest."""
    one = Measured(code, found)
    values = [(source, value) for source in found for value in _values(source, code)]
    values.sort(key=lambda pair: _when(pair[0]))
    if not values:
        return one
    latest = values[-1][1]
    one.unit = {key: latest[key] for key in ("unit", "system", "code") if key in latest}
    one.sources = [source for source, _ in values]
    one.numbers = sorted(_number(value, latest["code"]) for _, value in values)
    return one


def _number(value: Resource, unit: str) -> float:
    number, own = float(value["value"]), value["code"]
    converted = number if own == unit else convert(number, own, unit)
    if converted is None or abs(converted) > _GREATEST:
        raise Invalid(
            f"There are measurements in {own[:40]} and in {unit[:40]}, which cannot be compared;"
            " ask for a period in which they have one unit",
            code="processing",
            location="http.code",
        )
    return converted


def _values(source: Resource, code: Code) -> Iterator[Resource]:
    """Valid quantities of this code: of the Observation itself, and of its components."""
    for part in (source, *source.get("component", ())):
        codings = part.get("code", {}).get("coding", ())
        value = part.get("valueQuantity", {})
        if (
            any((each.get("system"), each.get("code")) == code for each in codings)
            and value.get("system") == UCUM
            and "code" in value
            and "value" in value
            and "comparator" not in value
            and "modifierExtension" not in part.keys() | source.keys()
        ):
            yield value


def _when(source: Resource) -> int:
    """Microseconds since 1970."""
    period = source.get("effectivePeriod", {})
    at = source.get("effectiveDateTime") or source.get("effectiveInstant")
    at = at or period.get("start") or source.get("issued")
    return interval(at)[0] if at else 0


def _observation(question: Question, one: Measured) -> Resource:
    system, code = one.code
    found: Resource = {
        "resourceType": "Observation",
        "status": "final",
        "code": {"coding": [{"system": system, "code": code}]},
        "subject": {"reference": question.subject},
    }
    if question.period:
        found["effectivePeriod"] = question.period
    return found | {"component": [_component(name, one) for name in question.statistics]}


def _component(name: str, one: Measured) -> Resource:
    if name == TOTAL:
        number: float | None = len(one.found)
        statistic = Statistic(TOTAL_DISPLAY, len, "number")
    else:
        statistic = STATISTICS[name]
        number = statistic.of(one.numbers)
    coding = {"system": SYSTEM, "code": name, "display": statistic.display}
    found: Resource = {"code": {"coding": [coding]}}
    unit = _unit(statistic, one)
    if number is None or unit is None:
        return found | {"dataAbsentReason": _ABSENT}
    return found | {"valueQuantity": {"value": number} | unit}


_ABSENT = {
    "coding": [
        {
            "system": "http://terminology.hl7.org/CodeSystem/data-absent-reason",
            "code": "not-a-number",
        }
    ],
    "text": "So few or so equal measurements have none",
}


def _unit(statistic: Statistic, one: Measured) -> Resource | None:
    if statistic.measures == "number":
        return {"unit": "1", "system": UCUM, "code": "1"}
    if not one.unit or statistic.measures == "value":
        return one.unit or None
    code = one.unit["code"]
    # UCUM reads products from the left, and `/` divides by the next unit only.
    squared = code + code if code.startswith("/") else f"{code}.{code}"
    return {"unit": squared, "system": UCUM, "code": squared}
