"""Tables over HTTP: the same twice, shuffled, cut, resumed; faults found and named."""

from __future__ import annotations

from random import Random
from typing import Any

import pytest

from tests.intake.clinic import Clinic, only, places
from tests.intake.counted import counted
from tests.intake.month import COLUMNS, Row, month, table, totals

Json = dict[str, Any]


def _summary(answer: Any) -> Json:
    return {name: count for name, count in answer.json()["summary"].items() if count}


def _all_there(clinic: Clinic, rows: list[Row]) -> None:
    assert counted(clinic.of_client) == totals(rows)


def test_totals_in_fhir_are_those_of_the_rows(clinic: Clinic) -> None:
    rows = list(month(clinic.ids, 30))
    answer = clinic.send_table(table(rows))
    assert answer.status_code == 201, answer.text
    assert _summary(answer) == {"stored": 30}
    assert len(rows) > 80
    _all_there(clinic, rows)


def test_the_same_table_twice_and_shuffled_changes_nothing(clinic: Clinic) -> None:
    rows = list(month(clinic.ids, 20))
    clinic.send_table(table(rows))
    before = clinic.of_client("Encounter") + clinic.of_client("Observation")
    again = clinic.send_table(table(rows))
    assert (again.status_code, _summary(again)) == (200, {"unchanged": 20})
    shuffled = rows[:]
    Random(3).shuffle(shuffled)
    columns = list(COLUMNS)
    Random(4).shuffle(columns)
    third = clinic.send_table("\ufeff" + table(shuffled, ";", columns))
    assert (third.status_code, _summary(third)) == (200, {"unchanged": 20})
    assert clinic.of_client("Encounter") + clinic.of_client("Observation") == before


def test_a_shuffled_table_makes_the_same_as_an_ordered_one(clinic: Clinic) -> None:
    rows = list(month(clinic.ids, 20))
    shuffled = rows[:]
    Random(5).shuffle(shuffled)
    assert _summary(clinic.send_table(table(shuffled))) == {"stored": 20}
    _all_there(clinic, rows)
    assert _summary(clinic.send_table(table(rows))) == {"unchanged": 20}


def test_halves_of_a_table_add_up_wherever_it_is_cut(clinic: Clinic) -> None:
    rows = list(month(clinic.ids, 12))
    # In the middle of a session.
    cut = next(at for at in range(10, len(rows)) if rows[at]["session"] == rows[at - 1]["session"])
    clinic.send_table(table(rows[:cut]))
    second = clinic.send_table(table(rows[cut:]))
    assert second.json()["summary"]["corrected"] == 1
    _all_there(clinic, rows)
    assert _summary(clinic.send_table(table(rows))) == {"unchanged": 12}


def test_a_table_that_was_loaded_in_part_is_resumed(clinic: Clinic) -> None:
    rows = list(month(clinic.ids, 12))
    clinic.send_table(table(rows[: len(rows) // 2]))
    answer = clinic.send_table(table(rows))
    assert answer.status_code == 201
    assert answer.json()["summary"]["refused"] == 0
    _all_there(clinic, rows)


def test_json_and_table_speak_of_the_same_session(clinic: Clinic) -> None:
    note = clinic.note("M-1", techniques=[{"technique": "effortful-swallow", "trials": 12}])
    assert only(clinic.send(note))["status"] == "stored"
    head = f"session,client,therapist,start,end,{'technique,trials,measure,value,unit'}\n"
    both = "M-1,C-1,T-1,2025-11-02T09:00,2025-11-02T09:45,"
    rows = f"{both},,swallow-delay,2.5,s\n{both}effortful-swallow,12,,,\n"
    assert only(clinic.send_table(head + rows))["status"] == "unchanged"


def test_a_changed_row_of_the_same_revision_is_refused_by_its_row(clinic: Clinic) -> None:
    rows = list(month(clinic.ids, 3))
    clinic.send_table(table(rows))
    at = next(place for place, row in enumerate(rows) if row["measure"])
    rows[at] = rows[at].with_cell("value", "3.99")
    answer = clinic.send_table(table(rows))
    assert answer.status_code == 207
    (refused,) = [one for one in answer.json()["sessions"] if one["status"] == "refused"]
    assert places(refused) == [f"row {at + 2}"]
    corrected = [
        row.with_cell("revision", "2") if row["session"] == rows[at]["session"] else row
        for row in rows
    ]
    columns = ("revision", *COLUMNS)
    answer = clinic.send_table(table(corrected, columns=columns))
    assert _summary(answer) == {"corrected": 1, "unchanged": 2}
    _all_there(clinic, rows)


def test_the_highest_revision_in_a_table_counts(clinic: Clinic) -> None:
    head = "session,revision,client,start,measure,value\n"
    rows = [
        "R-1,2,C-1,2025-11-02T09:00,swallow-delay,2.5",
        "R-1,1,C-1,2025-11-02T09:00,swallow-delay,9.9",
    ]
    told = only(clinic.send_table(head + "\n".join(rows)))
    assert (told["status"], told["revision"]) == ("stored", 2)
    assert "row 3" in places(told, "warning")
    assert only(clinic.send_table(head + "\n".join(rows)))["status"] == "unchanged"


@pytest.mark.parametrize("digits", [10, 20, 5000])
def test_a_revision_without_end_is_refused(clinic: Clinic, digits: int) -> None:
    head = "session,revision,client,start,measure,value\n"
    told = only(clinic.send_table(f"{head}R-2,{'9' * digits},C-1,2025-11-02T09:00,,\n"))
    assert places(told) == ["row 2, column revision"]


SEEDED: list[tuple[str, str, str]] = [
    ("value", "abc", "column value"),
    ("value", "2,5", "column value"),
    ("value", "999", "column value"),
    ("value", "-1", "column value"),
    ("unit", "kPa", "column unit"),
    ("measure", "", "column value"),
    ("client", "C-404", "column client"),
    ("start", "02/11/2025", "column start"),
    ("end", "2025-10-01T00:00:00-07:00", "column end"),
    ("trials", "many", "column trials"),
]


def test_each_seeded_fault_is_found_and_nothing_else_is_lost(clinic: Clinic) -> None:
    rows = list(month(clinic.ids, 40))
    alone = [
        place
        for place, row in enumerate(rows)
        if row["measure"] and sum(one["session"] == row["session"] for one in rows) > 2
    ]
    seeded: dict[str, tuple[int, str]] = {}
    for (column, text, where), at in zip(SEEDED, alone, strict=False):
        rows[at] = rows[at].with_cell(column, text)
        seeded[rows[at]["session"]] = (at, where)
    assert len(seeded) == len(SEEDED)
    answer = clinic.send_table(table(rows))
    assert answer.status_code == 207
    refused = {
        one["session"]: one for one in answer.json()["sessions"] if one["status"] == "refused"
    }
    assert set(refused) == set(seeded)
    for session, (at, where) in seeded.items():
        told = places(refused[session])
        assert len(told) == 1, refused[session]
        # A cell that differs from what the session's other rows say is told with its own row.
        assert told[0].startswith(f"row {at + 2}"), (where, told)
        if where != "column value" or rows[at]["measure"]:
            assert told[0].endswith(where), (where, told)
    good = [row for row in rows if row["session"] not in seeded]
    _all_there(clinic, good)


def test_broken_rows_are_named_and_the_rest_is_kept(clinic: Clinic) -> None:
    head = b"session,client,start,measure,value,note\n"
    lines = [
        b"B-1,C-1,2025-11-02T09:00,swallow-delay,2.5,\n",
        b'B-2,C-1,2025-11-02T09:00,swallow-delay,2.5,"never closed\n',
        b"B-3,C-1,2025-11-02T09:00,swallow-delay,2.5,x,y,z\n",
        b"B-4,C-1,2025-11-02T09:00,swallow-delay,2.5,caf\xe9\n",
        b",C-1,2025-11-02T09:00,swallow-delay,2.5,\n",
        b'B-6,C-1,2025-11-02T09:00,swallow-delay,2.5,"two\nlines, ""quoted"""\n',
        b"B-7,C-1,2025-11-02T09:00,swallow-delay,2.5,last one without an end",
    ]
    answer = clinic.send_table(head + b"".join(lines))
    sessions = answer.json()["sessions"]
    assert {one["session"] for one in sessions if one["status"] == "stored"} == {
        "B-1",
        "B-6",
        "B-7",
    }
    refused = {one["session"]: places(one) for one in sessions if one["status"] == "refused"}
    assert refused == {
        "B-2": ["row 3"],
        "B-3": ["row 4"],
        "B-4": ["row 5"],
        None: ["row 6, column session"],
    }
    notes = [one.get("description") for one in clinic.of_client("DocumentReference")]
    assert 'two\nlines, "quoted"' in notes


def test_dates_and_decimals_of_other_habits_are_read(clinic: Clinic) -> None:
    text = (
        "Session;Client;Date;Start;End;Measure;Value;Unit\r\n"
        "D-1;C-1;02.11.2025;9:05;09:45;swallow-delay;2,50;s\r\n"
    )
    options = {"dateFormat": "%d.%m.%Y", "decimalComma": "true"}
    assert only(clinic.send_table(text, **options))["status"] == "stored"
    (found,) = clinic.of_client("Encounter")
    assert found["period"]["start"] == "2025-11-02T09:05:00-07:00"
    raw = clinic.http.get("/fhir/Observation", params={"patient": clinic.patient}).content
    assert b'"value":2.50,' in raw


@pytest.mark.parametrize("form", ["%d%d", 50 * "%f", "%H:%M", "%Q"])
def test_a_form_of_dates_that_is_none_is_told_by_its_parameter(clinic: Clinic, form: str) -> None:
    text = "session,client,date,start\nD-2,C-1,02.11.2025,9:05\n"
    answer = clinic.send_table(text, dateFormat=form)
    assert answer.status_code == 400, answer.text
    (issue,) = answer.json()["issues"]
    assert issue["where"] == "http.dateFormat"
    assert clinic.of_client("Encounter") == []


def test_rows_that_contradict_each_other_are_told(clinic: Clinic) -> None:
    text = (
        "session,client,start,measure,value,technique\n"
        "K-1,C-1,2025-11-02T09:00,swallow-delay,2.5,\n"
        "K-1,C-2,2025-11-02T09:00,,,head-lift\n"
        "K-1,C-1,2025-11-02T09:00,swallow-delay,2.5,head-lift\n"
    )
    told = only(clinic.send_table(text))
    assert places(told) == ["row 3, column client", "row 4"]


def test_answers_of_a_scale_are_gathered_from_their_rows(clinic: Clinic) -> None:
    text = (
        "session,client,start,scale,question,answer\n"
        "Q-1,C-1,2025-11-02T09:00,https://x.example/q,1,3\n"
        "Q-1,C-1,2025-11-02T09:00,https://x.example/q,2,\n"
        "Q-2,C-1,2025-11-02T09:00,https://x.example/q,1,3\n"
        "Q-2,C-1,2025-11-02T09:00,https://x.example/q,2,0\n"
    )
    answer = clinic.send_table(text)
    first, second = answer.json()["sessions"]
    assert places(first) == ["row 3, column answer"]
    assert second["status"] == "stored"
    (found,) = clinic.of_client("QuestionnaireResponse")
    assert [item["answer"][0]["valueInteger"] for item in found["item"]] == [3, 0]


def test_faults_of_all_kinds_are_told_at_once(clinic: Clinic) -> None:
    text = (
        "session,client,start,technique,trials,measure,value,unit\n"
        "F-1,nobody,2025-11-02T09:00,head-lift,many,,,\n"
        "F-1,nobody,2025-11-02T09:00,,,spo2,140,%\n"
        "F-1,nobody,2025-11-02T09:00,,,tongue-pressure,20,mm\n"
    )
    told = only(clinic.send_table(text))
    assert sorted(places(told)) == [
        "row 2, column client",
        "row 2, column trials",
        "row 3, column value",
        "row 4, column unit",
    ]
