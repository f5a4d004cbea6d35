"""Each fault of a session is named by its place, all of them at once."""

from __future__ import annotations

from typing import Any

import pytest

from tests.intake.clinic import Clinic, only, places

Json = dict[str, Any]
FAULTS: list[tuple[str, Json]] = [
    ("/sessions/0/strt", {"strt": "2025-11-02T09:00"}),
    ("/sessions/0/start", {"start": "yesterday"}),
    ("/sessions/0/end", {"end": "2025-11-02T08:59"}),
    ("/sessions/0/start", {"start": "2126-11-02T09:00", "end": "2126-11-02T09:30"}),
    ("/sessions/0/end", {"end": "2025-11-05T09:00"}),
    ("/sessions/0/client", {"client": "nobody"}),
    ("/sessions/0/revision", {"revision": 0}),
    ("/sessions/0/setting", {"setting": "moon"}),
    ("/sessions/0/techniques/0/sets", {"techniques": [{"technique": "x", "sets": -1}]}),
    (
        "/sessions/0/techniques/0/successes",
        {"techniques": [{"technique": "head-lift", "trials": 3, "successes": 4}]},
    ),
    (
        "/sessions/0/measures/0/value",
        {"measures": [{"measure": "tongue-pressure", "value": -3, "unit": "kPa"}]},
    ),
    (
        "/sessions/0/measures/0/unit",
        {"measures": [{"measure": "tongue-pressure", "value": 3, "unit": "mm"}]},
    ),
    (
        "/sessions/0/measures/0/unit",
        {"measures": [{"measure": "tongue-pressure", "value": 3, "unit": "blobs"}]},
    ),
    ("/sessions/0/measures/0/value", {"measures": [{"measure": "eat-10-total", "value": 12.5}]}),
    ("/sessions/0/measures/0/value", {"measures": [{"measure": "swallow-delay", "value": "2"}]}),
    ("/sessions/0/vitalSigns/0/value", {"vitalSigns": [{"measure": "spo2", "value": 140}]}),
    ("/sessions/0/note", {"note": "nul\x00"}),
]


@pytest.mark.parametrize(("place", "change"), FAULTS)
def test_each_fault_is_named_by_its_place(clinic: Clinic, place: str, change: Json) -> None:
    answer = clinic.send(clinic.note(**change))
    assert 400 <= answer.status_code < 500
    assert places(only(answer)) == [place]
    assert clinic.of_client("Encounter") == []


def test_all_faults_of_a_session_are_told_at_once(clinic: Clinic) -> None:
    values = [-1, 5, 500]
    measures = [{"measure": "tongue-pressure", "value": value, "unit": "kPa"} for value in values]
    answer = clinic.send(clinic.note(measures=measures))
    assert places(only(answer)) == ["/sessions/0/measures/0/value", "/sessions/0/measures/2/value"]
