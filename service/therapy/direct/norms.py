"""How does a value compare with a published norm or limit?

Norms depend on the device, the placement, the language, age and sex; which norm is taken for
which device and language is decided in mappings/measures/norms.json with the reason. Where none
fits, none is used.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

from service.therapy.facts import facts

_ADULT = 18


@dataclass(frozen=True, slots=True)
class Norm:
    """Mean and standard deviation of a healthy group, and where they come from."""

    mean: float
    sd: float
    unit: str
    group: str
    source: str
    status: str

    @property
    def words(self) -> str:
        """Mean, spread, group and source."""
        return f"{self.mean:g} {self.unit} (SD {self.sd:g}), {self.group}: {self.source}"

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
    normal_end: Literal["low", "high"]
    """Which end of the range of normal values the limit is."""


def norm_for(
    measure: str,
    *,
    age: int | None,
    sex: str | None,
    device: str | None = None,
    language: str | None = None,
) -> tuple[Norm | None, str]:
    """The norm for a person, a device and a language, and why it or none was taken.

    The reason is empty where there are no norms of the measure at all.
    """
    data = facts("norms")
    fitting = [row for row in data["norms"] if row["measure"] == measure and _fits(row, age, sex)]
    chosen = [row for row in data["chosen"] if row["measure"] == measure]
    if not chosen:
        reason = data["not-chosen"].get(measure, "")
        told = [_words(_norm(row)) for row in fitting]
        return None, f"{reason} Published: {'; '.join(told)}" if told and reason else reason
    for name, value in (("device", device), ("language", language)):
        if any(row.get(name) for row in chosen):
            chosen = [row for row in chosen if row.get(name) in (None, value)]
            if not chosen:
                return None, data["needs"][name]
    for choice in chosen:
        for row in fitting:
            if row["source"] == choice["source"]:
                return _norm(row), choice["reason"]
    return None, "the norm has no group for this age and sex"


def _norm(row: dict[str, Any]) -> Norm:
    origin = facts("norms")["sources"][row["source"]]
    return Norm(
        row["mean"],
        row["sd"],
        row["unit"],
        _group(row),
        origin["citation"],
        origin["status"],
    )


def _words(norm: Norm) -> str:
    return f"{norm.words} ({norm.status})"


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
        end: Literal["low", "high"] = "low" if below else "high"
        found.append(Limit(row["limit"], row["unit"], outside, words, end))
    return found


def _fits(row: dict[str, Any], age: int | None, sex: str | None) -> bool:
    if row["sex"] is not None and row["sex"] != sex:
        return False
    return age is not None and row["from"] <= age and (row["below"] is None or age < row["below"])


def _group(row: dict[str, Any]) -> str:
    first, below = row["from"], row["below"]
    adult = first >= _ADULT
    who = {"male": "men", "female": "women", None: "adults"}[row["sex"]] if adult else "children"
    if below is None:
        return f"{who} of {first} and older"
    return f"{who} of {first}" if below == first + 1 else f"{who} of {first} to {below - 1}"
