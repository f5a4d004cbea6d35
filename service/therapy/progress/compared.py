"""How does the last value compare: with a norm, with published limits, with the other side?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
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
    """The last value of a measure beside a norm (or why there is none) and published limits."""

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
    if change.latest is None:
        return Compared(None, "nothing measured", ())
    device = devices.get(change.latest.device or "")
    coding = coding_in((device or {}).get("type"), DEVICES)
    kind = coding["code"] if coding else None
    born = day_of((patient or {}).get("birthDate"))
    age = None if born is None else int((change.latest.at.day - born) / 365.25)
    sex = (patient or {}).get("gender")
    if change.measure.code == "amr-rate":
        norm, reason = None, "norms depend on the language, which is not recorded"
    else:
        norm, reason = norm_for(change.measure.code, age=age, sex=sex, device=kind)
    limits = limits_for(change.measure.code, change.latest.number, device=kind)
    return Compared(norm, reason, limits)


def sides_of(series: Sequence[Series]) -> list[Sides]:
    """Measures taken at a place on the left and the same one on the right."""
    places = {(s.measure.code, (s.site or {}).get("code", "")): s for s in series}
    found = []
    for (code, place), left in places.items():
        right = places.get((code, place.removesuffix("-left") + "-right"))
        if not place.endswith("-left") or right is None:
            continue
        later = sessions_of(right)
        both = [
            (values[-1], later[session][-1])
            for session, values in sessions_of(left).items()
            if session in later
        ]
        both = [pair for pair in both if pair[0].number >= 0 and pair[1].number >= 0]
        result = asymmetry(both[-1][0].number, both[-1][1].number) if both else None
        if result is not None:
            found.append(Sides(left.measure, *both[-1], result))
    return found
