"""Whatever is sent is answered: never a fault of the service, and never half a session."""

from __future__ import annotations

import copy
import json
from random import Random
from typing import Any

from service.data import examples
from tests.intake.clinic import Clinic

ODD: list[Any] = [
    None,
    True,
    0,
    -1,
    1.5,
    10**30,
    "",
    " ",
    "x" * 5000,
    "a|b",
    "|",
    "a,b$c\\d",
    "Patient/",
    "Patient/x",
    "\u0000",
    "é\U0001f600\u202e",
    [],
    [[]],
    {},
    {"value": "x"},
    {"system": "x:y", "value": "a|b,c$d"},
    {"reference": "Observation/1"},
    {"code": "x", "system": "x:y"},
    "2026-02-30T10:00",
    "2025-11-02T10:00",
    "9999-12-31T23:59:59Z",
    "0001-01-01T00:00:00+14:00",
]


def _paths(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    found = [path] if path else []
    inner: Any = ()
    if isinstance(value, dict):
        inner = value.items()
    elif isinstance(value, list):
        inner = enumerate(value)
    for key, below in inner:
        found += _paths(below, (*path, key))
    return found


def _changed(note: Any, chance: Random) -> Any:
    changed = copy.deepcopy(note)
    for _ in range(chance.randint(1, 2)):
        path = chance.choice(_paths(changed))
        holder = changed
        for step in path[:-1]:
            holder = holder[step]
        holder[path[-1]] = chance.choice(ODD)
    return changed


def test_odd_values_anywhere_are_answered(clinic: Clinic) -> None:
    chance = Random(20261125)
    note = json.loads(examples("requests", "sessions.json").read_bytes())["sessions"][0]
    note |= {
        "client": "C-1",
        "scales": [{"scale": "eating-assessment-10", "answers": {"item-1": 3}}],
        "clinic": {"localCodes": "https://c.example/codes/", "organization": "O"},
    }
    taken = 0
    for number in range(250):
        sent = _changed(note | {"session": f"A-{number}"}, chance)
        answer = clinic.send(sent)
        assert answer.status_code < 500, (sent, answer.text)
        (told,) = answer.json().get("sessions") or [{"status": "refused"}]
        assert (answer.status_code in (200, 201)) == (told["status"] != "refused"), answer.text
        taken += told["status"] == "stored"
        if told["status"] == "refused":
            issues = answer.json().get("issues") or told["issues"]
            assert any(one["severity"] == "error" and one["text"] for one in issues)
    assert 0 < taken < 250
    assert len(clinic.of_client("Encounter")) <= taken


def test_odd_cells_anywhere_are_answered(clinic: Clinic) -> None:
    chance = Random(7)
    template = clinic.http.get("/intake/sessions/template.csv").text.strip().split(",")
    texts = [one for one in ODD if isinstance(one, str)] + ["3", "head-lift", "spo2", "yes", "kPa"]
    lines = [";".join(template)]
    for number in range(400):
        cells = dict.fromkeys(template, "") | {
            "session": f"T-{number}",
            "client": "C-1",
            "start": "2025-11-02T09:00Z",
        }
        for _ in range(chance.randint(1, 4)):
            cells[chance.choice(template)] = chance.choice(texts)
        lines.append(";".join(cells[name] for name in template))
    answer = clinic.send_table("\n".join(lines))
    assert answer.status_code == 207, answer.text
    told = answer.json()
    assert sum(told["summary"].values()) == len(told["sessions"])
    rows = [row for one in told["sessions"] for row in one["rows"]]
    assert sorted(rows) == list(range(2, 402))
