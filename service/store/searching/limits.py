"""How much may one search touch?"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Limits:
    """Rows of an index, unless said otherwise.

    few        so few that they are collected without a second thought
    many       so many are still better collected than looked for in another order
    chunk      examined at first, in the order of pages, before it is looked whether more is there
    examined   examined for one page; what was found until there is the page
    collected  collected and sorted where nothing else helps
    counted    gone through for an accurate total
    included   resources included in one answer
    """

    few: int = 1_000
    many: int = 10_000
    chunk: int = 2_000
    examined: int = 100_000
    collected: int = 100_000
    counted: int = 2_000_000
    included: int = 1_000


DEFAULT = Limits()
