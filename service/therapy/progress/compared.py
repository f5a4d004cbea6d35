"""How does the last value compare: with a norm, with published limits, with the other side?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from service.therapy.change.series import Change
from service.therapy.course.readings import Series, Value, sessions_of
from service.therapy.direct.asymmetry import Asymmetry, asymmetry
from service.therapy.direct.norms import Limit, Norm, limits_for, norm_for
from service.therapy.measures import OWN, Measure
from service.therapy.moments import day_of
from service.therapy.references import coding_in

Resource = dict[str, Any]

DEVICES = OWN + "measuring-device"


@dataclass(frozen=True, slots=True)
class Compared:
    """The last value of a measure beside a norm and published limits.

    `reason` says why there is no norm; it is empty where none is known of the measure.
    """

    norm: Norm | None
    reason: str
    limits: Sequence[Limit]


@dataclass(frozen=True, slots=True)
class Sides:
    """The last session in which both sides were measured."""

    measure: Measure
    left: Value
    right: Value
    result: Asymmetry


def compared(change: Change, patient: Resource | None, devices: Mapping[str, Resource]) -> Compared:
    """The comparison of the last value of a measure with norms and limits."""
    if change.latest is None:
        return Compared(None, "", ())
    device = devices.get(change.latest.device or "")
    coding = coding_in((device or {}).get("type"), DEVICES)
    kind = coding["code"] if coding else None
    person = patient or {}
    norm, reason = norm_for(
        change.measure.code,
        age=_age(person.get("birthDate"), change.latest.at.day),
        sex=person.get("gender"),
        device=kind,
        language=_language(person),
    )
    limits = limits_for(change.measure.code, change.latest.number, device=kind)
    return Compared(norm, reason, limits)


def _age(born: str | None, day: int) -> int | None:
    """Completed years; a birth date without a day counts from its first one."""
    first = day_of(born)
    if first is None or day < first:
        return None
    birth, now = date.fromordinal(first), date.fromordinal(day)
    return now.year - birth.year - ((now.month, now.day) < (birth.month, birth.day))


def _language(person: Resource) -> str | None:
    """The language that the client speaks: the preferred one, else the only one."""
    spoken = person.get("communication", ())
    wanted = [each for each in spoken if each.get("preferred")] or spoken
    codes = {
        str(coding["code"]).partition("-")[0].lower()
        for each in wanted
        for coding in each.get("language", {}).get("coding", ())
        if coding.get("code")
    }
    return codes.pop() if len(codes) == 1 else None


def _used(values: Sequence[Value]) -> list[Value]:
    return [value for value in values if value.placed in ("baseline", "treatment")]


def sides_of(series: Sequence[Series]) -> list[Sides]:
    """Measures taken at a place on the left and the same one on the right, in baseline or
    treatment."""
    places = {(s.measure.code, (s.site or {}).get("code", "")): s for s in series}
    found = []
    for (code, place), left in places.items():
        right = places.get((code, place.removesuffix("-left") + "-right"))
        if not place.endswith("-left") or right is None:
            continue
        later = sessions_of(right)
        both = [
            (mine[-1], others[-1])
            for session, values in sessions_of(left).items()
            if (mine := _used(values)) and (others := _used(later.get(session, ())))
        ]
        both = [pair for pair in both if pair[0].number >= 0 and pair[1].number >= 0]
        result = asymmetry(both[-1][0].number, both[-1][1].number) if both else None
        if result is not None:
            found.append(Sides(left.measure, *both[-1], result))
    return found
