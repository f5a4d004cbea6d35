"""How do session notes from files get into the store? Tables (CSV) and JSON, through the intake.

A table is read session by session with the same memory however long it is; sessions are committed
in batches. What is refused is named by row and column and left out.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from itertools import islice
from pathlib import Path

from service.commands._files import LARGEST_FILE, Record
from service.commands._opening import OPERATOR
from service.commands._progress import Meter
from service.commands._telling import complain, counted, say, told
from service.errors import HyoidError
from service.intake.answers import SessionAnswer
from service.intake.csv_cells import Layout
from service.intake.csv_sessions import read_table
from service.intake.drafts import Read, Reading
from service.intake.models import Clinic
from service.intake.posting import Intake, clinic_of, notes_in, read_notes
from service.settings import Settings
from service.store.store import Store

BATCH = 50
_CHUNK = 1 << 16


class Notes:
    """Takes files of session notes; how they are to be read is said once for all of them."""

    def __init__(
        self,
        store: Store,
        settings: Settings,
        base: str,
        complain_of: Callable[[str, HyoidError], None],
        *,
        date_format: str | None = None,
        decimal_comma: bool = False,
        strict: bool = False,
    ) -> None:
        self._intake = Intake(store, OPERATOR, base, batch=BATCH)
        self._complain_of = complain_of
        self._clinic: Clinic = clinic_of(settings)
        self._strict = strict
        self._layout = Layout(None, decimal_comma, date_format)
        self.counts: Counter[str] = Counter()
        self.resources = 0
        self.refused = 0

    def take_table(self, file: Path, meter: Meter) -> None:
        """Every session of a table."""
        size = file.stat().st_size
        try:
            with read_table(_chunks(file), self._reading(adds_up=True), self._layout) as table:
                reads = iter(table)
                while batch := list(islice(reads, BATCH)):
                    self._store(str(file), batch)
                    rows = sum(len(numbers) for _, _, _, numbers in batch)
                    meter.advance(size * rows / max(table.rows, 1), len(batch))
        except HyoidError as error:
            if error.status >= 500:
                raise
            self.refused += 1
            self._complain_of(str(file), error)

    def take_json(self, record: Record, meter: Meter) -> None:
        """The session notes in a JSON file, or in a line of NDJSON."""
        try:
            clinic, notes = notes_in(record.raw, self._clinic, LARGEST_FILE)
        except HyoidError as error:
            self.refused += 1
            self._complain_of(record.place, error)
            return
        reading = replace(self._reading(adds_up=False), clinic=clinic)
        reads = read_notes(notes, reading)
        while batch := list(islice(reads, BATCH)):
            self._store(record.place, batch)
            meter.advance(record.size * len(batch) / len(notes), len(batch))

    def tell(self) -> None:
        """One line on what became of the sessions, if there were any."""
        if self.counts:
            parts = [
                f"{self.counts[name]:,} {name}"
                for name in ("stored", "corrected", "unchanged", "refused")
            ]
            say(f"{counted(self.counts.total(), 'session')}: {', '.join(parts)}")

    def _reading(self, *, adds_up: bool) -> Reading:
        now = datetime.now(UTC)
        return Reading(self._clinic, now, self._strict, self._layout.date_format, adds_up)

    def _store(self, place: str, batch: Sequence[Read]) -> None:
        for answer in self._intake.take(batch):
            self.counts[answer.status] += 1
            self.refused += answer.status == "refused"
            self.resources += answer.written
            _tell(place, answer)


def _tell(place: str, answer: SessionAnswer) -> None:
    name = f"session {answer.session}: " if answer.session else ""
    for issue in answer.issues:
        if issue.severity != "information":
            kind = "warning: " if issue.severity == "warning" else ""
            complain(f"{place}: {kind}{name}{told(issue)}")


def _chunks(file: Path) -> Iterator[bytes]:
    with file.open("rb") as stream:
        while chunk := stream.read(_CHUNK):
            yield chunk
