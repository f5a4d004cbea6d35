"""Against NumPy and SciPy, and the codes against the official code system."""

from __future__ import annotations

import random
from collections.abc import Callable

import numpy as np
import pytest
from scipy import stats

from service.therapy.statistics import STATISTICS, SYSTEM, TOTAL, TOTAL_DISPLAY
from tests import official

OTHERS: dict[str, Callable[[np.ndarray], float]] = {
    "average": np.mean,
    "maximum": np.max,
    "minimum": np.min,
    "count": np.size,
    "median": np.median,
    "std-dev": lambda a: np.std(a, ddof=1),
    "sum": np.sum,
    "variance": lambda a: np.var(a, ddof=1),
    "20-percent": lambda a: np.percentile(a, 20),
    "80-percent": lambda a: np.percentile(a, 80),
    "4-lower": lambda a: np.quantile(a, 0.25),
    "4-upper": lambda a: np.quantile(a, 0.75),
    "4-dev": lambda a: stats.iqr(a) / 2,
    "5-1": lambda a: np.quantile(a, 0.2),
    "5-2": lambda a: np.quantile(a, 0.4),
    "5-3": lambda a: np.quantile(a, 0.6),
    "5-4": lambda a: np.quantile(a, 0.8),
    "skew": stats.skew,
    "kurtosis": stats.kurtosis,
}


@pytest.mark.parametrize("code", sorted(STATISTICS))
def test_they_are_what_numpy_and_scipy_compute(code: str) -> None:
    dice = random.Random(code)
    for size in (2, 3, 5, 10, 101):
        numbers = sorted(dice.lognormvariate(3, 0.5) for _ in range(size))
        expected = OTHERS[code](np.array(numbers))
        assert STATISTICS[code].of(numbers) == pytest.approx(float(expected), rel=1e-9, abs=1e-9)


def test_codes_and_displays_are_those_of_the_code_system() -> None:
    (system,) = (s for s in official.resources("CodeSystem") if s["url"] == SYSTEM)
    known = {concept["code"]: concept["display"] for concept in system["concept"]}
    ours = {code: statistic.display for code, statistic in STATISTICS.items()}
    assert ours | {TOTAL: TOTAL_DISPLAY} | {"regression": "Regression"} == known


def test_so_few_or_so_equal_numbers_have_none() -> None:
    for code, statistic in STATISTICS.items():
        assert (statistic.of([]) is None) == (code not in ("count", "sum")), code
    assert STATISTICS["std-dev"].of([3.0]) is None
    assert STATISTICS["skew"].of([3.0, 3.0, 3.0]) is None
    assert STATISTICS["kurtosis"].of([3.0, 3.0]) is None
    assert STATISTICS["average"].of([3.0]) == 3.0


@pytest.mark.filterwarnings("ignore:Precision loss:RuntimeWarning")
@pytest.mark.parametrize("numbers", [[0.1] * 3, [3.3] * 6, [1.1] * 5, [1.0, 1.0 + 2**-52, 1.0]])
def test_numbers_that_differ_by_rounding_are_equal(numbers: list[float]) -> None:
    for code in ("skew", "kurtosis"):
        assert np.isnan(OTHERS[code](np.array(numbers)))
        assert STATISTICS[code].of(sorted(numbers)) is None
    average = STATISTICS["average"].of(numbers)
    assert average is not None
    assert min(numbers) <= average <= max(numbers)
