"""How fast is a session kept? A transaction of 1 Encounter, 6 Procedures, 8 Observations.

Expected: at least half of a bare route that validates each resource with fhir.resources and
inserts its version and twelve search rows in one durable commit. An ordinary assembly that keeps
no search rows is printed beside it. Controls: the same Bundles for all; `conditional` has a
condition on each entry, as a clinic system sends that may send again, which only ours looks at.
"""

from __future__ import annotations

import json
from functools import partial
from pathlib import Path

import pytest

from tests.benchmarks.load import rate, request
from tests.benchmarks.rivals import rivals
from tests.benchmarks.rounds import in_turns, told, told_ratio
from tests.factories.clinical import session_bundle, unconditional

pytestmark = pytest.mark.benchmark

SESSIONS = 3000


def _asked(url: str, *, conditional: bool) -> list[bytes]:
    bundles = (session_bundle(number, f"Patient/p{number % 50}") for number in range(SESSIONS))
    path = url if url.endswith("/fhir") else f"{url}/"
    return [
        request("POST", path, json.dumps(bundle if conditional else unconditional(bundle)).encode())
        for bundle in bundles
    ]


@pytest.mark.parametrize("kind", ["plain", "conditional"])
@pytest.mark.parametrize("clients", [4, 8])
def test_session(tmp_path: Path, clients: int, kind: str) -> None:
    with rivals(tmp_path) as urls:
        asked = {
            name: _Supply(_asked(url, conditional=kind == "conditional"))
            for name, url in urls.items()
        }
        measured = in_turns(
            {name: partial(asked[name].rate, url, clients) for name, url in urls.items()}
        )
    told(f"session, {kind}, {clients} clients", measured, "a second")
    told_ratio(measured, "ours", "bare", "0.5 or more")
    told_ratio(measured, "ours", "ordinary", "1 or more")


class _Supply:
    """Requests of which none is sent twice before all were."""

    def __init__(self, requests: list[bytes]) -> None:
        self.requests = requests

    def rate(self, url: str, clients: int) -> float:
        """Answers a second in this round."""
        found = rate(url, self.requests, clients=clients, seconds=1.5)
        done = round(found * 1.5) + clients
        self.requests = self.requests[done:] + self.requests[:done]
        return found
