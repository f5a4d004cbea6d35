"""Whatever was put on record gets into the log exactly once: through failures, kills and races."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from service.errors import Unavailable
from service.store.audit import spool as spooling
from service.store.audit.access import Access, decoded
from service.store.audit.find import Wanted, page
from service.store.audit.spool import SUFFIX, Spool
from service.store.audit.verify import verify
from service.store.engine import Database
from tests.live import clean_environment


def an_access(number: int) -> Access:
    return Access(number, "read", 200, "reader", request=str(number))


def logged(database: Database) -> list[str]:
    with database.reader() as connection:
        return [row.access.request for row in page(connection, Wanted(), 100_000)]


def test_what_is_added_is_taken_in_once(database: Database, tmp_path: Path) -> None:
    spool = Spool(tmp_path / "spool")
    for number in range(5):
        spool.add(an_access(number))
    assert spool.take_in(database) == 5
    assert spool.take_in(database) == 0
    spool.add(an_access(5))
    spool.close(database)
    assert logged(database) == ["5", "4", "3", "2", "1", "0"]
    assert list((tmp_path / "spool").iterdir()) == []
    assert not verify(database).fault


def test_a_full_file_is_followed_by_another(
    database: Database, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(spooling, "LONGEST", 300)
    monkeypatch.setattr(spooling, "PART", 100)
    spool = Spool(tmp_path / "spool")
    for number in range(50):
        spool.add(an_access(number))
        if number % 7 == 0:
            spool.take_in(database)
    spool.take_in(database)
    assert len(list((tmp_path / "spool").iterdir())) == 1
    spool.close(database)
    assert sorted(map(int, logged(database))) == list(range(50))
    with database.reader() as connection:
        assert connection.rows("SELECT * FROM audit_spool") == []


def test_while_many_threads_add_another_takes_in(database: Database, tmp_path: Path) -> None:
    spool = Spool(tmp_path / "spool")

    def add(first: int) -> None:
        for number in range(first, first + 200):
            spool.add(an_access(number))

    threads = [threading.Thread(target=add, args=(first,)) for first in range(0, 1000, 200)]
    for thread in threads:
        thread.start()
    while any(thread.is_alive() for thread in threads):
        spool.take_in(database)
    spool.close(database)
    assert sorted(map(int, logged(database))) == list(range(1000))


def test_a_crash_between_file_and_row_takes_nothing_twice(
    database: Database, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    spool = Spool(tmp_path / "spool")
    spool.add(an_access(1))
    with monkeypatch.context() as patch:
        patch.setattr(Path, "unlink", _fail)
        with pytest.raises(OSError, match="no power"):
            spool.close(database)
    os.close(spool._file)
    assert Spool(tmp_path / "spool").take_in_left(database) == 0
    assert logged(database) == ["1"]


def test_what_cannot_be_recorded_is_not_answered(tmp_path: Path, database: Database) -> None:
    spool = Spool(tmp_path / "spool")
    spool.add(an_access(1))
    real, spool._file = spool._file, os.open("/dev/full", os.O_WRONLY | os.O_APPEND)
    with pytest.raises(Unavailable):
        spool.add(an_access(2))
    os.close(spool._file)
    spool._file = real
    spool.add(an_access(3))
    spool.close(database)
    assert logged(database) == ["3", "1"]


def test_a_damaged_line_is_told_and_stops_nothing(database: Database, tmp_path: Path) -> None:
    spool = Spool(tmp_path / "spool")
    damaged = an_access(1).waiting() + b'\n[5, "read"\n[5, "read"]\n[3'
    (tmp_path / "spool" / f"left{SUFFIX}").write_bytes(damaged)
    assert spool.take_in_left(database) == 3
    with database.reader() as connection:
        kinds = sorted(row.access.interaction for row in page(connection, Wanted(), 9))
    assert kinds == ["read", "unreadable", "unreadable"]


def test_what_waits_reads_back_as_it_was_told() -> None:
    told = Access(5, "a", 200, *"bcdefghijk", ("p",), (3, 4), ("Goal/1/_history/2",), "{}")
    assert decoded(told.waiting()) == decoded(told.encoded()) == told
    assert decoded(an_access(1).waiting()) == decoded(an_access(1).encoded()) == an_access(1)


_CHILD = """
import sys
from pathlib import Path
from service.store.audit.access import Access
from service.store.audit.spool import Spool
from service.store.engine import Database
import threading
spool, database = Spool(Path(sys.argv[1])), Database(sys.argv[2])
def drain():
    while True:
        spool.take_in(database)
threading.Thread(target=drain, daemon=True).start()
n = 0
while True:
    n += 1
    spool.add(Access(n, "read", 200, "reader", request=str(n)))
    sys.stdout.write(f"{n}\\n")
    sys.stdout.flush()
"""


def test_a_killed_process_loses_nothing_that_it_answered(
    database: Database, tmp_path: Path
) -> None:
    process = subprocess.Popen(
        [sys.executable, "-c", _CHILD, str(tmp_path / "spool"), database.url],
        stdout=subprocess.PIPE,
        env=clean_environment(),
    )
    assert process.stdout is not None
    process.stdout.readline()
    survivor = Spool(tmp_path / "spool")
    assert survivor.take_in_left(database) == 0, "its file is in use"
    killer = threading.Timer(1.0, lambda: process.send_signal(signal.SIGKILL))
    killer.start()
    answered = 1 + sum(line.endswith(b"\n") for line in process.stdout)
    process.stdout.close()
    process.wait()
    end = time.monotonic() + 20
    while list((tmp_path / "spool").glob(f"*{SUFFIX}")) != [survivor._path]:
        survivor.take_in_left(database)
        assert time.monotonic() < end
    numbers = sorted(map(int, logged(database)))
    assert answered > 100
    assert len(numbers) in (answered, answered + 1)
    assert numbers == list(range(1, len(numbers) + 1))
    assert not verify(database).fault
    survivor.close(database)


def _fail(*_: object) -> None:
    raise OSError("no power")
