"""What is left after `kill -9` in the middle of the work? All that was acknowledged, and wholes.

Clients post sessions (transactions of 15 resources) and put single Observations while the process
is killed; it is started again on the same store, five times on SQLite.
"""

from __future__ import annotations

import random
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import IO

import httpx
import pytest

from service.caller import ANONYMOUS
from service.store.engine import Database
from service.store.migrate import migrate
from service.store.store import Store
from tests.factories.clinical import observation
from tests.live import HYOID, clean_environment, free_port
from tests.store.agreement import disagreements
from tests.store.clients import SESSION_SIZE, Ledger, losses, session_sizes, writing
from tests.store.keeping import BASE


class Doomed:
    """A service process on one port and store, to be killed and started again."""

    def __init__(self, database_url: str) -> None:
        port = free_port()
        self.base = f"http://127.0.0.1:{port}"
        self._command = [*HYOID, "serve", "--port", str(port), "--access", "open"]
        self._command += ["--database", database_url]

    @contextmanager
    def running(self) -> Iterator[None]:
        """Run it during the block; at its end it gets no time to put anything in order."""
        with tempfile.TemporaryFile() as output:
            process = subprocess.Popen(
                self._command, env=clean_environment(), stdout=output, stderr=output
            )
            try:
                assert self._answers(process), _told(output)
                yield
                assert process.poll() is None, "it died by itself"
            finally:
                process.send_signal(signal.SIGKILL)
                process.wait()

    def _answers(self, process: subprocess.Popen[bytes]) -> bool:
        end = time.monotonic() + 30
        while time.monotonic() < end and process.poll() is None:
            try:
                return httpx.get(f"{self.base}/health/ready").status_code == 200
            except httpx.TransportError:
                time.sleep(0.02)
        return False


def _told(output: IO[bytes]) -> str:
    output.seek(0)
    return output.read().decode()


@pytest.mark.parametrize(
    ("database_url", "rounds"), [("sqlite", 3), ("postgresql", 2)], indirect=["database_url"]
)
def test_killed_in_the_middle_of_writing_it_keeps_all_it_acknowledged_and_nothing_by_halves(
    database_url: str, rounds: int
) -> None:
    database = Database(database_url)
    migrate(database)
    service, ledger, dice = Doomed(database_url), Ledger(), random.Random(rounds)
    for _ in range(rounds):
        before = len(ledger.sessions)
        with writing_until_killed(service, ledger):
            while len(ledger.sessions) < before + 4:
                time.sleep(0.01)
            time.sleep(dice.uniform(0, 0.3))
        with database.reader() as connection:
            assert losses(connection, ledger) == []
            assert disagreements(connection, f"{service.base}/fhir") == []
    assert ledger.refused == []
    with service.running(), httpx.Client(base_url=f"{service.base}/fhir/", timeout=60) as client:
        for number in tuple(ledger.sent):
            ledger.post_session(client, number)
    with database.reader() as connection:
        # Sent again, every session is there, and once: each entry is a conditional create.
        assert set(session_sizes(connection).items()) == {
            (n, SESSION_SIZE) for n in set(ledger.sent)
        }
        assert disagreements(connection, f"{service.base}/fhir") == []
    database.close()


@contextmanager
def writing_until_killed(service: Doomed, ledger: Ledger) -> Iterator[None]:
    """The service runs during the block and dies while the clients still write."""
    with ExitStack() as clients, service.running():
        clients.enter_context(writing(service.base, ledger))
        yield


def test_a_write_ahead_log_cut_anywhere_gives_whole_units_of_work(
    sqlite_store: Store, tmp_path: Path
) -> None:
    """What a power cut leaves: the log on disk up to some byte, perhaps in the middle of a page."""
    size = 7
    sqlite_store.database.close()  # which brings the tables themselves out of the log
    for number in range(12):
        with sqlite_store.write(ANONYMOUS) as unit:
            for place in range(size):
                resource = observation(value=number, note=[{"text": "x" * 500 * place}])
                key = f"o{number}-{place}"
                unit.append(resource, key, BASE, method="PUT", current=None)
    file = Path(sqlite_store.database.url.removeprefix("sqlite:///"))
    log = file.with_name(f"{file.name}-wal").read_bytes()
    dice = random.Random(7)
    counts = set()
    for cut in [0, len(log), *(dice.randrange(len(log)) for _ in range(20))]:
        copy = tmp_path / f"cut-{cut}.sqlite3"
        shutil.copyfile(file, copy)
        copy.with_name(f"{copy.name}-wal").write_bytes(log[:cut])
        database = Database(f"sqlite:///{copy}")
        with database.reader() as connection:
            assert disagreements(connection, BASE) == []
            counts.add(connection.rows("SELECT count(*) FROM resource")[0][0])
        database.close()
    assert len(counts) > 3
    assert max(counts) == 12 * size
    assert {count % size for count in counts} == {0}
