"""What follows from the parts of a trial? The formulas that mappings/measures/parts.json names.

Each takes the numbers of the parts by name and gives its results by name; what cannot be computed
is absent. A part that was tried and gave nothing (no swallow came) is None.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from service.therapy.direct.flow_test import flow_level
from service.therapy.direct.motion_rates import SHORTEST_SECONDS, irregularity, motion_rate
from service.therapy.direct.proportions import share
from service.therapy.direct.strength import best_press, endurance
from service.therapy.direct.swallow_delay import Delay, delay, stimulus_effect
from service.therapy.direct.water_swallow import water_swallow

Curve = Sequence[tuple[float, float]]
"""(seconds, value) of a sampled part."""


@dataclass(frozen=True, slots=True)
class Given:
    """The parts by name, in the units of their codes."""

    numbers: Mapping[str, Sequence[float | None]]
    curves: Mapping[str, Curve] = field(default_factory=dict)
    fixed: Mapping[str, float] = field(default_factory=dict)

    def all(self, name: str) -> Sequence[float | None]:
        """Every number of a part, None where a trial gave none."""
        return self.numbers.get(name, ())

    def told(self, name: str) -> list[float]:
        """The numbers of a part that has one."""
        return [number for number in self.all(name) if number is not None]

    def one(self, name: str) -> float:
        """The number of a part that stands once. Raises ValueError where it has none."""
        told = self.told(name)
        if len(told) != 1:
            raise ValueError(f"{name} needs a number")
        return told[0]

    def count(self, name: str) -> int:
        """A whole number. Raises ValueError where it is none."""
        number = self.one(name)
        if number != int(number):
            raise ValueError(f"{name} is counted in whole numbers, not {number:g}")
        return int(number)


@dataclass(frozen=True, slots=True)
class Results:
    """Numbers by name, and what is to be told beside them."""

    numbers: Mapping[str, float]
    remarks: tuple[str, ...] = ()


def _best(given: Given) -> Results:
    presses = given.told("presses")
    found = best_press(presses)
    return Results({} if found is None else {"best": found, "presses": len(presses)})


def _endurance(given: Given) -> Results:
    seconds = endurance(given.curves.get("trace", ()), given.one("maximum"))
    if seconds is None:
        return Results({}, ("the trace begins below half of the maximum",))
    return Results({"seconds": seconds})


def _timed_drink(given: Given) -> Results:
    left = given.one("left") if given.told("left") else 0.0
    found = water_swallow(given.one("given"), given.one("seconds"), given.count("swallows"), left)
    return Results(
        {
            "capacity": found.capacity,
            "volume": found.volume_per_swallow,
            "time": found.time_per_swallow,
        }
    )


def _flow(given: Given) -> Results:
    return Results({"level": flow_level(given.one("remaining"))})


def _motion(given: Given) -> Results:
    found, remarks = {}, []
    if given.told("repetitions") or given.told("seconds"):
        seconds = given.one("seconds")
        syllables = int(given.fixed["syllables"])
        found["rate"] = motion_rate(given.count("repetitions"), seconds, syllables=syllables)
        if seconds < SHORTEST_SECONDS:
            text = f"below {SHORTEST_SECONDS} s a rate says little (from memory)"
            remarks.append(text)
    steadiness = irregularity(given.told("onsets"))
    if steadiness is not None:
        found["irregularity"] = steadiness
    elif given.told("onsets"):
        remarks.append("no regularity: it needs three onsets")
    return Results(found, tuple(remarks))


def _share(given: Given) -> Results:
    trials = given.count("trials")
    found = share(given.count("wanted"), trials)
    if found is None:
        return Results({}, ("no trial was offered",))
    low, high = found.low, found.high
    assert low is not None
    assert high is not None
    return Results(
        {"percent": 100 * found.value, "low": 100 * low, "high": 100 * high, "trials": trials}
    )


def _delays(given: Given) -> Results:
    without, after = given.all("delays"), given.all("delaysAfterStimulus")
    found = {**_summed(delay(without), ""), **_summed(delay(after), "-after")}
    effect = stimulus_effect(without, after)
    if effect is not None:
        found["effect"] = effect
    missed = sum(number is None for number in (*without, *after))
    return Results(found, (f"{missed} trials without a swallow are left out",) if missed else ())


def _summed(found: Delay | None, suffix: str) -> dict[str, float]:
    if found is None:
        return {}
    told = {"mean": found.mean, "median": found.median, "trials": found.trials}
    if found.spread is not None:
        told["spread"] = found.spread
    return {name + suffix: number for name, number in told.items()}


FORMULAS: Mapping[str, Callable[[Given], Results]] = {
    "best": _best,
    "endurance": _endurance,
    "timed-drink": _timed_drink,
    "flow": _flow,
    "motion": _motion,
    "share": _share,
    "delays": _delays,
}
"""Each raises ValueError for parts that contradict each other."""
