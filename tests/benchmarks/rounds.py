"""How are two sides compared on a machine that has other things to do?

They take turns in short rounds, so that both meet the same machine, and the median of the ratios
of the rounds counts. The first round warms up.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from statistics import median

ROUNDS = 6


def in_turns(
    sides: Mapping[str, Callable[[], float]], rounds: int = ROUNDS
) -> dict[str, list[float]]:
    """What each side measures in each round but the first; every other round goes backwards."""
    found: dict[str, list[float]] = {name: [] for name in sides}
    for number in range(rounds + 1):
        names = list(sides)
        for name in names[:: -1 if number % 2 else 1]:
            measured = sides[name]()
            if number:
                found[name].append(measured)
    return found


def ratio(measured: Mapping[str, list[float]], name: str, to: str) -> float:
    """The median over the rounds of one side by another."""
    return median(a / b for a, b in zip(measured[name], measured[to], strict=True))


def told(what: str, measured: Mapping[str, list[float]], unit: str) -> None:
    """Print the median of each side."""
    sides = ", ".join(f"{name} {median(values):,.0f}" for name, values in measured.items())
    print(f"\n{what}: {sides} {unit}", end="")


def told_ratio(measured: Mapping[str, list[float]], name: str, to: str, aim: str) -> None:
    """Print a ratio beside what is aimed at."""
    print(f"; {name}/{to} {ratio(measured, name, to):.2f} (aim: {aim})", end="", flush=True)
