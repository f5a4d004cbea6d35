"""Do the three stories run against a real service, and do they notice a service that is wrong?"""

from __future__ import annotations

import subprocess
import sys

import httpx
import pytest

from service.data import examples
from tests.examples.invented import sent

CLIENTS = ["C-1041", "C-1049", "C-1053", "C-1057", "C-1062", "C-1070"]


def _tell(story: str, *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-W", "error", str(examples(story)), *arguments],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )


@pytest.fixture(scope="module")
def clinic_service(live_service: str) -> str:
    """The FHIR base of a live service that holds the invented clinic."""
    base = f"{live_service}/fhir"
    with httpx.Client(timeout=60) as http:
        for bundle in sent():
            answer = http.post(base, json=bundle)
            assert answer.status_code == 200, answer.text
    return base


def _total(base: str, resource_type: str) -> int:
    answer = httpx.get(f"{base}/{resource_type}", params={"_total": "accurate", "_count": "1"})
    return int(answer.json()["total"])


def test_the_clinic_loaded_twice_is_there_once(clinic_service: str) -> None:
    kinds = ["Encounter", "Procedure", "Observation", "Appointment", "CarePlan", "Goal"]
    before = [_total(clinic_service, kind) for kind in kinds]
    with httpx.Client(timeout=60) as http:
        for bundle in sent():
            assert http.post(clinic_service, json=bundle).status_code == 200
    assert [_total(clinic_service, kind) for kind in kinds] == before


def test_a_clinic_day_sent_twice_is_there_once(clinic_service: str) -> None:
    for _ in range(2):
        done = _tell("clinic_day.py", clinic_service)
        assert done.returncode == 0, done.stdout + done.stderr
        assert "once is once: 17 resources" in done.stdout


def test_a_second_copy_of_a_session_is_a_disagreement(clinic_service: str) -> None:
    """Put there by hand, without If-None-Exist, under the number of the story's first session."""
    assert _tell("clinic_day.py", clinic_service).returncode == 0
    number = "https://riverbank.example/ids/session|R-201-2026-11-18-0900"
    found = httpx.get(f"{clinic_service}/Encounter", params={"identifier": number})
    first = found.json()["entry"][0]["resource"]
    copy = httpx.post(f"{clinic_service}/Encounter", json=first)
    assert copy.status_code == 201
    done = _tell("clinic_day.py", clinic_service)
    httpx.delete(f"{clinic_service}/Encounter/{copy.json()['id']}").raise_for_status()
    assert done.returncode == 1
    assert "DISAGREEMENT" in done.stdout
    assert _tell("clinic_day.py", clinic_service).returncode == 0


@pytest.mark.parametrize("number", CLIENTS)
def test_a_therapist_reviews_a_client(clinic_service: str, number: str) -> None:
    done = _tell("therapist_review.py", clinic_service, number)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "sessions under this plan" in done.stdout


@pytest.mark.parametrize("number", CLIENTS)
def test_an_integrator_pulls_a_client(clinic_service: str, number: str) -> None:
    done = _tell("integrator_pull.py", clinic_service, number)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "all inside the record" in done.stdout


@pytest.mark.parametrize("story", ["therapist_review.py", "integrator_pull.py"])
def test_a_client_who_is_not_there_is_a_disagreement(clinic_service: str, story: str) -> None:
    done = _tell(story, clinic_service, "nobody")
    assert done.returncode == 1
    assert "DISAGREEMENT" in done.stdout
