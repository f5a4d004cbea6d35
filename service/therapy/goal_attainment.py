"""How far are the goals reached, all together? The goal-attainment T score.

T = 50 + 10*sum(w*x) / sqrt((1-rho)*sum(w^2) + rho*(sum w)^2), rho = 0.3: Kiresuk TJ, Sherman RE
1968; Turner-Stokes L 2009, Clin Rehabil 23:362-370, in the form of its erratum. The baseline and
the outcome must hold the same goals with the same weights, or the change means nothing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from service.therapy.facts import facts


@dataclass(frozen=True, slots=True)
class Attainment:
    """T scores over the goals that have both scores; `reasons` tells what was left out."""

    baseline: float | None
    achieved: float | None
    goals: int
    reasons: tuple[str, ...] = ()

    @property
    def change(self) -> float | None:
        """Achieved less baseline."""
        if self.baseline is None or self.achieved is None:
            return None
        return self.achieved - self.baseline


def t_score(
    scores: Sequence[float], weights: Sequence[float] | None = None, rho: float | None = None
) -> float | None:
    """The T score; None without goals or where all weights are zero.

    Raises ValueError for a score outside -2 to 2, or weights below zero or of another number.
    """
    weights = [1.0] * len(scores) if weights is None else weights
    rho = facts("goal-attainment")["rho"] if rho is None else rho
    if len(weights) != len(scores):
        raise ValueError("each goal has one weight")
    if not all(-2 <= score <= 2 for score in scores):
        raise ValueError("scores lie between -2 and 2")
    if not all(math.isfinite(weight) and weight >= 0 for weight in weights):
        raise ValueError("weights are zero or more")
    greatest = max(weights, default=0)
    if greatest == 0:
        return None
    # T does not change with the scale of the weights; near 1 nothing overflows.
    scaled = [weight / greatest for weight in weights]
    total = math.fsum(w * x for w, x in zip(scaled, scores, strict=True))
    squares = math.fsum(weight**2 for weight in scaled)
    return 50 + 10 * total / math.sqrt((1 - rho) * squares + rho * math.fsum(scaled) ** 2)


def attainment(
    goals: Sequence[tuple[float | None, float | None, float]],
) -> Attainment:
    """The T scores of goals given as (baseline, achieved, weight); None is a missing score."""
    whole = [
        (before, after, weight)
        for before, after, weight in goals
        if before is not None and after is not None
    ]
    reasons = []
    if not goals:
        reasons.append("the plan has no goals")
    elif len(whole) < len(goals):
        missing = len(goals) - len(whole)
        reasons.append(f"{missing} of {len(goals)} goals left out: no score before or after")
    weights = [weight for *_, weight in whole]
    if whole and not any(weights):
        reasons.append("all weights are zero: give the goals weights")
    baseline = t_score([before for before, _, _ in whole], weights)
    achieved = t_score([after for _, after, _ in whole], weights)
    return Attainment(baseline, achieved, len(whole), tuple(reasons))
