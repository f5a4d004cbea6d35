"""How fast is a read?

Expected: at least half of a bare Starlette route that selects the same bytes by primary key with
sqlite3, and at least five times an ordinary assembly (FastAPI, SQLModel session, model parsed
and dumped). Control: all three serve the same 1.2 kB Observations to the same client.
"""

from __future__ import annotations

import json
import urllib.request
from functools import partial
from pathlib import Path

import pytest

from tests.benchmarks.load import rate, request
from tests.benchmarks.rivals import put, rivals
from tests.benchmarks.rounds import in_turns, told, told_ratio
from tests.factories.clinical import observation

pytestmark = pytest.mark.benchmark

RESOURCES = 200


@pytest.mark.parametrize("clients", [4, 8])
def test_read(tmp_path: Path, clients: int) -> None:
    with rivals(tmp_path) as urls:
        for number in range(RESOURCES):
            sent = observation(f"b{number}", value=number, note=[{"text": "x" * 500}])
            put(f"{urls['ours']}/Observation/b{number}", json.dumps(sent).encode())
            with urllib.request.urlopen(f"{urls['ours']}/Observation/b{number}") as answer:
                served = answer.read()
            for name in ("bare", "ordinary"):
                put(f"{urls[name]}/Observation/b{number}", served)
        asked = {
            name: [request("GET", f"{url}/Observation/b{n}") for n in range(RESOURCES)]
            for name, url in urls.items()
        }
        measured = in_turns(
            {
                name: partial(rate, urls[name], asked[name], clients=clients, seconds=1)
                for name in urls
            }
        )
    told(f"read, {clients} clients", measured, "a second")
    told_ratio(measured, "ours", "bare", "0.5 or more")
    told_ratio(measured, "ours", "ordinary", "5 or more")
