"""What was measured last? Filled as the sessions are made, read when a plan is reviewed."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date


@dataclass(frozen=True)
class Taken:
    """A measurement: the number of its Observation, what, how much, when."""

    number: str
    label: str
    value: float
    text: str
    day: date


@dataclass
class Ledger:
    """The last measurement of every measure of every client."""

    _last: dict[tuple[str, str], Taken] = field(default_factory=dict)

    def enter(self, client: str, key: str, taken: Taken) -> None:
        """Note a measurement; the sessions come in the order of time."""
        self._last[client, key] = taken

    def last(self, client: str, key: str) -> Taken | None:
        """The last measurement so far, if any."""
        return self._last.get((client, key))
