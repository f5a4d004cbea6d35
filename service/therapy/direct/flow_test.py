"""How thick is a drink? The flow test with a 10 mL syringe over ten seconds.

The published bands touch (1 to 4, 4 to 8 mL): exactly 4 and exactly 8 are given to the thinner
level here. A reading holds only for a syringe with 61.5 mm from the 0 to the 10 mL line, and 10 mL
left is to be confirmed with the spoon and fork tests. (Read in a summary of the published chart.)
"""

from __future__ import annotations

import math


def flow_level(remaining: float) -> int:
    """Level 0 (thin) to 4 (extremely thick) by the mL left. Raises ValueError outside 0 to 10."""
    if not (math.isfinite(remaining) and 0 <= remaining <= 10):
        raise ValueError("0 to 10 mL can be left in the syringe")
    if remaining < 1:
        return 0
    if remaining <= 4:
        return 1
    if remaining <= 8:
        return 2
    return 3 if remaining < 10 else 4
