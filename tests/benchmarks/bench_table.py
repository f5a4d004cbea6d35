"""How long, and with how much memory, does `hyoid load` take a table of session notes?

Shape: time grows with the rows, memory does not. Control: a table a third as long, loaded by the
same command into a store of its own; it is long enough for the caches (pages of SQLite, search
values) to be full. What is printed is the ratio of the two peaks of memory.
"""

from __future__ import annotations

import json
import os
import subprocess
import time
from pathlib import Path

import pytest

from tests.intake.month import month, table
from tests.live import HYOID, clean_environment

IDS = "https://bench.example/ids/"
FEW, MANY = 3_000, 10_000
MOST_GROWTH = 1.15


@pytest.mark.benchmark
def test_memory_stays_flat_however_long_the_table_is(tmp_path: Path) -> None:
    few = _loaded(tmp_path, FEW)
    many = _loaded(tmp_path, MANY)
    for sessions, (seconds, peak) in ((FEW, few), (MANY, many)):
        print(
            f"\n{sessions:>7,} sessions: {sessions / seconds:,.0f}/s, peak {peak / 1024:,.0f} MiB"
        )
    memory, time_taken = many[1] / few[1], many[0] / few[0]
    print(f"{MANY / FEW:.1f} times the table: memory x {memory:.2f}, time x {time_taken:.1f}")
    assert memory < MOST_GROWTH


def _loaded(folder: Path, sessions: int) -> tuple[float, int]:
    """Seconds, and the peak of memory in KiB, of loading this many sessions."""
    people = folder / "people.ndjson"
    numbers = (("Patient", "client", "C-1"), ("Practitioner", "staff", "T-1"))
    people.write_text(
        "\n".join(
            json.dumps(
                {"resourceType": kind, "identifier": [{"system": IDS + name, "value": value}]}
            )
            for kind, name, value in numbers
        )
    )
    path = folder / f"{sessions}.csv"
    path.write_text(table(month(IDS, sessions)), encoding="utf-8")
    url = f"sqlite:///{folder / f'{sessions}.sqlite3'}"
    command = [*HYOID, "load", "--clinic", IDS, "--database", url]
    environment = clean_environment()
    subprocess.run([*command, str(people)], check=True, env=environment, stdout=subprocess.DEVNULL)
    start = time.monotonic()
    process = subprocess.Popen([*command, str(path)], env=environment, stdout=subprocess.PIPE)
    assert process.stdout is not None
    with process.stdout as output:
        told = output.read().decode()
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    assert f"{sessions:,} stored" in told, told
    return time.monotonic() - start, used.ru_maxrss
