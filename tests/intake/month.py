"""A month of sessions as raw rows, and the totals anybody can count from them.

The rows are made here with the csv module alone; nothing of the service is used, so that the
totals are an outside check.
"""

from __future__ import annotations

import csv
import io
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from random import Random

COLUMNS = (
    "session",
    "client",
    "therapist",
    "start",
    "end",
    "attendance",
    "technique",
    "trials",
    "successes",
    "strokesPerSide",
    "measure",
    "value",
    "unit",
    "when",
    "event",
    "note",
)
_TECHNIQUES = ("faucial-cold-strokes", "lip-closure-resistance", "effortful-swallow")


@dataclass(frozen=True)
class Row:
    """One row: cells by column."""

    cells: dict[str, str]

    def __getitem__(self, name: str) -> str:
        return self.cells.get(name, "")

    def with_cell(self, name: str, text: str) -> Row:
        return Row(self.cells | {name: text})


def month(ids: str, sessions: int, client: str = "C-1", seed: int = 7) -> Iterator[Row]:
    """Rows of this many sessions, with gaps, missed ones and events here and there."""
    chance = Random(f"{seed}|{ids}")
    for number in range(sessions):
        day, hour = 1 + number % 28, 8 + number // 28 % 9
        start = f"2025-10-{day:02}T{hour:02}:{number // 252 % 4 * 15:02}:00-07:00"
        head = {
            "session": f"M-{number}",
            "client": client,
            "therapist": "T-1",
            "start": start,
            "end": f"{start[:11]}{hour + 1:02}{start[13:]}",
        }
        if number % 9 == 4:
            yield Row(head | {"attendance": "no-show", "note": "Did not come"})
            continue
        for technique in _TECHNIQUES[: 1 + number % 3]:
            trials = chance.randint(5, 20)
            yield Row(
                head
                | {
                    "technique": technique,
                    "trials": str(trials),
                    "successes": str(chance.randint(0, trials)),
                    "strokesPerSide": str(chance.randint(1, 9)),
                }
            )
        value = f"{chance.randint(100, 400) / 100:.2f}"
        yield Row(head | {"measure": "swallow-delay", "value": value, "unit": "s"})
        if number % 7 == 0:
            yield Row(head | {"event": "cough"})


def table(rows: Iterable[Row], delimiter: str = ",", columns: Iterable[str] = COLUMNS) -> str:
    """The rows as CSV."""
    names = list(columns)
    out = io.StringIO(newline="")
    writer = csv.writer(out, delimiter=delimiter)
    writer.writerow(names)
    writer.writerows([row[name] for name in names] for row in rows)
    return out.getvalue()


def totals(rows: Iterable[Row]) -> Counter[str]:
    """What the rows add up to; values in hundredths, so that nothing is rounded."""
    found: Counter[str] = Counter()
    sessions, missed = set(), set()
    for row in rows:
        sessions.add(row["session"])
        if row["attendance"] == "no-show":
            missed.add(row["session"])
        if row["technique"]:
            found["techniques"] += 1
            found["trials"] += int(row["trials"])
            found["successes"] += int(row["successes"])
            found["strokes"] += int(row["strokesPerSide"])
        if row["measure"]:
            found["measures"] += 1
            found["hundredths"] += int(row["value"].replace(".", ""))
        found["events"] += bool(row["event"])
    found["sessions"], found["missed"] = len(sessions), len(missed)
    return found
