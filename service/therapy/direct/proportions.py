"""How sure is a share of trials or sessions?

Wilson's interval: Newcombe RG 1998, Stat Med 17:857-872, method 3. Trials within a session are
not independent, so the interval is too narrow for that.
"""

from __future__ import annotations

from service.therapy.facts import Estimate


def share(wanted: int, offered: int, confidence: float = 0.95) -> Estimate | None:
    """Wanted out of offered (0 to 1) with Wilson's interval; None where nothing was offered.

    Raises ValueError for counts that contradict each other.
    """
    if offered < 0 or not 0 <= wanted <= offered:
        raise ValueError(f"{wanted} of {offered} is no share")
    if offered == 0:
        return None
    from scipy.stats import binomtest

    ends = binomtest(wanted, offered).proportion_ci(confidence, "wilson")
    return Estimate(wanted / offered, float(ends.low), float(ends.high))
