"""Does the README tell the truth? Its commands are run in order against the demo."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Iterator
from urllib.parse import quote

import httpx
import pytest

from tests.live import HYOID, ROOT, free_port, running

README = (ROOT / "README.md").read_text()
CONSOLE = re.findall(r"^```console\n\$ (.*?)\n(.*?)^```", README, re.MULTILINE | re.DOTALL)
QUESTIONS = re.findall(r"^\| ([^|`]+) \| `(.+)` \|$", README, re.MULTILINE)


@pytest.fixture(scope="module")
def demo() -> Iterator[str]:
    port = free_port()
    with running([*HYOID, "demo", "--port", str(port)], port, seconds=60) as base:
        _wait_until_loaded(base)
        yield base


def _wait_until_loaded(base: str) -> None:
    """The demo is ready before its clinic is loaded; the last client's last plan ends it."""
    import time

    for _ in range(300):
        found = httpx.get(f"{base}/fhir/CarePlan/marta-quillern-plan-strength")
        if found.status_code == 200 and found.headers["ETag"] == 'W/"3"':
            last = httpx.get(f"{base}/fhir/CarePlan/lioba-fernhurst-plan-tongue")
            if last.status_code == 200 and last.headers["ETag"] == 'W/"2"':
                time.sleep(1)
                return
        time.sleep(0.1)
    raise AssertionError("the demo clinic was not loaded in time")


def test_every_command_of_the_readme_gives_what_it_shows(demo: str) -> None:
    assert len(CONSOLE) >= 7
    for command, shown in CONSOLE:
        here = command.replace("http://127.0.0.1:8000", demo)
        done = subprocess.run(
            ["bash", "-c", here], cwd=ROOT, capture_output=True, text=True, check=True
        )
        expected = shown.strip().replace("http://127.0.0.1:8000", demo)
        pattern = ".*".join(re.escape(part) for part in expected.split("…"))
        assert re.fullmatch(pattern, done.stdout.strip(), re.DOTALL), (command, done.stdout[:3000])


@pytest.mark.parametrize(("question", "request_"), QUESTIONS, ids=[q for q, _ in QUESTIONS])
def test_every_question_of_the_readme_has_an_answer(
    demo: str, question: str, request_: str
) -> None:
    address = request_.replace("\\|", "|").replace("$S", "https://hyoid.example/fhir/CodeSystem")
    bundle = httpx.get(f"{demo}/fhir/{quote(address, safe='/?&=$:|,-')}").raise_for_status().json()
    if bundle["resourceType"] != "Bundle":
        assert bundle["resourceType"] in ("Parameters", "ValueSet")
        return
    assert bundle["entry"], question
    assert all(entry.get("search", {}).get("mode") != "outcome" for entry in bundle["entry"])


def test_there_are_questions() -> None:
    assert len(QUESTIONS) >= 8
