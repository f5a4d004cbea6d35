"""How does a value compare with a published norm or limit?

Norms depend on the device, the placement, the language, age and sex; which norm is taken for
which device is decided in mappings/measures/norms.json with the reason. Where none fits, none is
used.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from service.therapy.facts import facts


@dataclass(frozen=True, slots=True)
class Norm:
    """Mean and standard deviation of a healthy group, and where they come from."""

    mean: float
    sd: float
    unit: str
    group: str
    source: str
    status: str

    def percent(self, value: float) -> float:
        """The value in percent of the mean."""
        return 100 * value / self.mean

    def z(self, value: float) -> float:
        """By how many standard deviations the value lies above the mean."""
        return (value - self.mean) / self.sd


@dataclass(frozen=True, slots=True)
class Limit:
    """A published limit, and whether a value lies outside it."""

    limit: float
    unit: str
    abnormal: bool
    words: str


def norm_for(
    measure: str,
    *,
    age: int | None,
    sex: str | None,
    device: str | None = None,
    source: str | None = None,
) -> tuple[Norm | None, str]:
    """The norm for a person and a device, and why it or none was taken.

    `source` names one of the sources and goes before the choice by `device`.
    """
    data = facts("norms")
    reason = "the source was named"
    if source is None:
        rows = [r for r in data["chosen"] if r["measure"] == measure]
        if not rows:
            return None, data["not-chosen"].get(measure, "no norm of this measure is at hand")
        fitting = [r for r in rows if r["device"] is None or r["device"] == device]
        if not fitting:
            return None, "norms depend on the device, and its type is not recorded"
        source, reason = fitting[0]["source"], fitting[0]["reason"]
    for row in data["norms"]:
        if row["measure"] == measure and row["source"] == source and _fits(row, age, sex):
            origin = data["sources"][source]
            group = _group(row)
            return (
                Norm(
                    row["mean"], row["sd"], row["unit"], group, origin["citation"], origin["status"]
                ),
                reason,
            )
    return None, "the norm has no group for this age and sex"


def limits_for(measure: str, value: float, *, device: str | None = None) -> list[Limit]:
    """The published limits of a measure; more than one where sources disagree."""
    found = []
    for row in facts("cut-offs")["cut-offs"]:
        if row["measure"] != measure or row.get("device", device) != device:
            continue
        below = row["abnormal-when"] == "below"
        outside = value < row["limit"] if below else value > row["limit"]
        words = (
            f"{'below' if below else 'above'} {row['limit']} {row['unit']} is outside"
            f" ({row['source']}; {row['status']}). {row['note']}"
        )
        found.append(Limit(row["limit"], row["unit"], outside, words))
    return found


def _fits(row: dict[str, Any], age: int | None, sex: str | None) -> bool:
    if row["sex"] is not None and row["sex"] != sex:
        return False
    return age is not None and row["from"] <= age and (row["below"] is None or age < row["below"])


def _group(row: dict[str, Any]) -> str:
    who = {"male": "men", "female": "women", None: "adults"}[row["sex"]]
    until = "and older" if row["below"] is None else f"to {row['below'] - 1}"
    return f"{who} of {row['from']} {until}"
