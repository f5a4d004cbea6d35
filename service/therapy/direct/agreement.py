"""Do two raters see the same?

Cohen J 1960; weights and standard error: Fleiss JL, Cohen J, Everitt BS 1969. Kappa alone misleads
where nearly all answers are alike, so the share of agreement always stands beside it.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from typing import Any, Literal, TypeVar

Category = TypeVar("Category", bound=Hashable)
Weights = Literal["none", "linear", "quadratic"]


@dataclass(frozen=True, slots=True)
class Agreement:
    """Share of agreement (0 to 1) and kappa with its 95 % interval.

    Kappa is None where chance alone would agree always.
    """

    ratings: int
    share: float
    kappa: float | None
    low: float | None
    high: float | None
    table: tuple[tuple[int, ...], ...]


def agreement(
    first: Sequence[Category],
    second: Sequence[Category],
    scale: Sequence[Category] | None = None,
    weights: Weights = "none",
) -> Agreement | None:
    """Two raters' answers to the same things; None without any.

    Weights need `scale`, the categories in their order. Raises ValueError where the lists differ
    in length or hold something that is not on the scale.
    """
    if len(first) != len(second):
        raise ValueError("both raters must have rated the same things")
    if weights != "none" and scale is None:
        raise ValueError("weights need the order of the categories")
    categories = list(dict.fromkeys([*first, *second] if scale is None else scale))
    places = {category: place for place, category in enumerate(categories)}
    if not places.keys() >= {*first, *second}:
        raise ValueError("a rating is not on the scale")
    table = [[0] * len(categories) for _ in categories]
    for one, other in zip(first, second, strict=True):
        table[places[one]][places[other]] += 1
    return agreement_of(table, weights)


def agreement_of(table: Sequence[Sequence[int]], weights: Weights = "none") -> Agreement | None:
    """The same from a square table of counts: rows by the first rater, columns by the second."""
    import numpy as np

    counts = np.asarray(table, dtype=float)
    total = counts.sum()
    if counts.size == 0:
        return None
    if counts.ndim != 2 or counts.shape[0] != counts.shape[1] or (counts < 0).any():
        raise ValueError("the table must be square, with counts")
    if total == 0:
        return None
    p = counts / total
    w = _weights(len(counts), weights)
    rows, columns = p.sum(axis=1), p.sum(axis=0)
    observed, chance = float((w * p).sum()), float(rows @ w @ columns)
    kept = tuple(tuple(int(cell) for cell in row) for row in table)
    share = float(np.trace(p))
    if abs(1 - chance) < 1e-12:
        return Agreement(int(total), share, None, None, None, kept)
    kappa = (observed - chance) / (1 - chance)
    lean = (w @ columns)[:, None] + (rows @ w)[None, :]
    spread = float((p * (w - lean * (1 - kappa)) ** 2).sum())
    variance = (spread - (kappa - chance * (1 - kappa)) ** 2) / (total * (1 - chance) ** 2)
    half = 1.959963984540054 * max(0.0, variance) ** 0.5
    low, high = max(-1.0, kappa - half), min(1.0, kappa + half)
    return Agreement(int(total), share, kappa, low, high, kept)


def _weights(size: int, weights: Weights) -> Any:
    import numpy as np

    if weights == "none" or size < 2:
        return np.eye(size)
    apart = np.abs(np.subtract.outer(np.arange(size), np.arange(size))) / (size - 1)
    return 1 - (apart if weights == "linear" else apart**2)
