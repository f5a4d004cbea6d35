"""What was done and counted in parts: the Observation with the parts, and what follows from it.

`parts` of a measure row are named as in mappings/measures/parts.json. The parts are stored as
components, the measures that follow as Observations derived from them.
"""

from __future__ import annotations

from typing import Any

from service.intake import limits
from service.intake.elements import quantity
from service.intake.identity import Session
from service.intake.places import Findings, Path
from service.intake.tables import known_measure, own_codes
from service.therapy.direct.derived import derived
from service.therapy.direct.formulas import Given
from service.therapy.direct.parts import PartsError, Row, computed, rows
from service.therapy.measures import MEASURES

Json = dict[str, Any]

_ABSENT = {
    "coding": [
        {
            "system": "http://terminology.hl7.org/CodeSystem/data-absent-reason",
            "code": "not-applicable",
            "display": "Not Applicable",
        }
    ],
    "text": "No response in this trial",
}


def parts_row(system: str | None, code: str | None) -> Row | None:
    """How what has this code is made up of parts; None where it has none."""
    return rows().get(code or "") if system == MEASURES else None


def components(row: Row, item: Json, findings: Findings, path: Path) -> list[Json]:
    """The parts of a measure row as components; what cannot be is among the findings."""
    known = {part["name"]: part for part in row["parts"]}
    found = []
    if "unit" in item:
        text = "Parts have no unit of their own: each is in the unit of its code"
        findings.error((*path, "unit"), "value", text)
    for name, sent in item["parts"].items():
        part, where = known.get(name), (*path, "parts", name)
        if part is None:
            text = f"There is no part {name!r} here: {', '.join(known)}"
            findings.error(where, "value", text)
        elif part.get("sampled"):
            text = "A curve is sent as SampledData through the FHIR interface"
            findings.error(where, "not-supported", text)
        else:
            found += _components(part["code"], sent, findings, where)
    return found


def outcomes_of(
    row: Row, parts: Json, session: Session, key: str, findings: Findings, path: Path
) -> list[Json]:
    """The Observations that follow from the Observation with the parts."""
    names = {part["code"]: part["name"] for part in row["parts"]}
    numbers: dict[str, list[float | None]] = {}
    for component in parts.get("component", ()):
        value = component.get("valueQuantity", {}).get("value")
        name = names[component["code"]["coding"][0]["code"]]
        numbers.setdefault(name, []).append(None if value is None else float(value))
    try:
        made = computed(row, Given(numbers, {}, row.get("fixed", {})))
    except PartsError as error:
        findings.error((*path, "parts"), "value", str(error))
        return []
    found = []
    for outcome in made:
        own = session.id("Observation", f"{key}|{outcome.measure.code}")
        found.append(derived(outcome, parts) | {"id": own})
    return found


def _components(code: str, sent: Any, findings: Findings, path: Path) -> list[Json]:
    measure = known_measure(MEASURES, code)
    assert measure is not None
    display = own_codes("measure")[code]
    concept = {"coding": [{"system": MEASURES, "code": code, "display": display}], "text": display}
    found = []
    for place, number in enumerate(sent if isinstance(sent, list) else [sent]):
        if number is None:
            found.append({"code": concept, "dataAbsentReason": _ABSENT})
            continue
        where = (*path, place) if isinstance(sent, list) else path
        limits.check_measured(number, measure, findings, where)
        found.append({"code": concept, "valueQuantity": quantity(number, measure.unit or "1")})
    return found
