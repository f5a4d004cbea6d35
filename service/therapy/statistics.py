"""What are the statistics of a set of measurements? For Observation/$stats.

The codes and what they mean: http://terminology.hl7.org/CodeSystem/observation-statistics (4.0.1).
Where its words leave a choice: variance and standard deviation are those of a sample (n - 1);
percentiles, quartiles and quintiles are interpolated between the two nearest values (the default
of NumPy); skewness is the third standardised moment, kurtosis the fourth without 3, so that a
normal distribution has 0 (the defaults of SciPy).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from statistics import fmean, mean, stdev, variance
from typing import Literal

SYSTEM = "http://terminology.hl7.org/CodeSystem/observation-statistics"

Numbers = Sequence[float]
Measures = Literal["value", "square", "number"]

_RESOLUTION = 1e-15
"""To what part of itself a number is told from the next."""


@dataclass(frozen=True, slots=True)
class Statistic:
    """One statistic of sorted numbers, at least `least` of them.

    `measures` tells its unit: that of the values, the same squared, or none.
    """

    display: str
    compute: Callable[[Numbers], float]
    measures: Measures = "value"
    least: int = 1

    def of(self, numbers: Numbers) -> float | None:
        """The statistic, or None where so few (or so equal) numbers have none."""
        if len(numbers) < self.least:
            return None
        try:
            found = self.compute(numbers)
        except (ZeroDivisionError, OverflowError):
            return None
        return found if math.isfinite(found) else None


def quantile(part: float, numbers: Numbers) -> float:
    """The value below which this part of sorted numbers lies."""
    place = part * (len(numbers) - 1)
    below = math.floor(place)
    above = min(below + 1, len(numbers) - 1)
    return numbers[below] + (numbers[above] - numbers[below]) * (place - below)


def quartile_deviation(numbers: Numbers) -> float:
    """Half the difference between the first and the third quartile."""
    return (quantile(0.75, numbers) - quantile(0.25, numbers)) / 2


def skewness(numbers: Numbers) -> float:
    """The third central moment by that of the standard deviation of these numbers."""
    return _moment(numbers, 3) / float(_spread(numbers) ** 1.5)


def kurtosis(numbers: Numbers) -> float:
    """The fourth central moment by the square of the second, less 3."""
    return _moment(numbers, 4) / _spread(numbers) ** 2 - 3


def _spread(numbers: Numbers) -> float:
    """The second central moment; 0 where the numbers differ no more than they are rounded, as
    SciPy has it."""
    found = _moment(numbers, 2)
    return found if found > (_RESOLUTION * mean(numbers)) ** 2 else 0.0


def _moment(numbers: Numbers, power: int) -> float:
    middle = mean(numbers)
    return fmean((number - middle) ** power for number in numbers)


def _part(display: str, part: float) -> Statistic:
    return Statistic(display, partial(quantile, part))


STATISTICS: dict[str, Statistic] = {
    "average": Statistic("Average", mean),
    "maximum": Statistic("Maximum", max),
    "minimum": Statistic("Minimum", min),
    "count": Statistic("Count", len, "number", 0),
    "median": _part("Median", 0.5),
    "std-dev": Statistic("Standard Deviation", stdev, least=2),
    "sum": Statistic("Sum", math.fsum, least=0),
    "variance": Statistic("Variance", variance, "square", 2),
    "20-percent": _part("20th Percentile", 0.2),
    "80-percent": _part("80th Percentile", 0.8),
    "4-lower": _part("Lower Quartile", 0.25),
    "4-upper": _part("Upper Quartile", 0.75),
    "4-dev": Statistic("Quartile Deviation", quartile_deviation),
    "5-1": _part("1st Quintile", 0.2),
    "5-2": _part("2nd Quintile", 0.4),
    "5-3": _part("3rd Quintile", 0.6),
    "5-4": _part("4th Quintile", 0.8),
    "skew": Statistic("Skew", skewness, "number", 2),
    "kurtosis": Statistic("Kurtosis", kurtosis, "number", 2),
}
"""All codes of the system but `total-count`, which is no matter of the numbers, and `regression`,
which gives two values under one code."""

TOTAL = "total-count"
TOTAL_DISPLAY = "Total Count"
