"""What stands in the log after faults and refusals? Kinds and places; nothing that a client sent.

OWASP, Logging Cheat Sheet, "Data to exclude": health data, tokens, keys, passphrases. A process is
made to fail in every room, with errors whose texts hold the whole request; what it writes is read.
"""

from __future__ import annotations

import json
import logging
import re
import signal
import sys
from pathlib import Path

import httpx
import pytest

from service.commands._logging import WithoutData
from tests.live import free_port, started, told_until

MARK = "Xq9Zebra"

FAILING = """
import sys
from service.rest.interactions import INTERACTIONS
from service.rest import export
from service.intake import routes
from service.pages import docs
from service.access.systems import Systems
from service.cli import main

def fail(*given, **named):
    def told(one):
        try:
            return {n: told(getattr(one, n)) for n in one.__slots__}
        except AttributeError:
            return one
    try:
        raise ValueError(repr([told(each) for each in given]))
    except ValueError as error:
        raise RuntimeError(f"{given} {named} {[told(each) for each in given]}") from error

def half(*given):
    def pieces():
        yield b"{"
        fail(*given)
    from service.rest.call import Answer
    return Answer(200, pieces=pieces())

for name in ("vread", "search-type", "create", "transaction", "patch", "delete"):
    INTERACTIONS[name] = fail
INTERACTIONS["history-type"] = half
routes._taken = fail
docs.described = lambda found: fail(found, "%s")
for name in ("token", "introspect", "revoke"):
    setattr(Systems, name, fail)
sys.argv = ["hyoid", "serve", *sys.argv[1:]]
main()
"""


def _asked(base: str) -> list[int]:
    secret = {"Authorization": f"Bearer {MARK}.{MARK}.{MARK}", "X-Request-Id": MARK, "Cookie": MARK}
    fhir = {"Content-Type": "application/fhir+json", "If-Match": f'W/"{MARK}"', "Prefer": MARK}
    body = {"resourceType": "Patient", "id": MARK, "name": [{"family": MARK}], MARK: MARK}
    form = {"grant_type": MARK, "client_assertion": MARK, "token": MARK, "scope": MARK}
    statuses = []
    with httpx.Client(base_url=base, timeout=20, headers=secret) as client:
        for method, address in (
            *(("GET", f"/fhir/Patient/{MARK}/_history/1"), ("GET", f"/fhir/Patient?name={MARK}")),
            *(("POST", "/fhir/Patient"), ("POST", "/fhir"), ("DELETE", f"/fhir/Patient/{MARK}")),
            *(("PATCH", f"/fhir/Patient/{MARK}"), ("GET", f"/fhir/{MARK}?{MARK}={MARK}")),
            *(("PUT", f"/fhir/Patient/{MARK}"), ("GET", f"/fhir/Observation?date={MARK}")),
            *(("POST", f"/intake/sessions?{MARK}={MARK}"), ("GET", f"/docs?{MARK}")),
            *(("GET", f"/{MARK}"), ("PURGE", f"/fhir/{MARK}")),
        ):
            content = None if method in ("GET", "DELETE") else json.dumps(body)
            answer = client.request(method, address, content=content, headers=fhir)
            statuses.append(answer.status_code)
        statuses += [
            client.post(f"/access/{each}", data=form).status_code
            for each in ("token", "introspect", "revoke")
        ]
        with pytest.raises(httpx.HTTPError):
            client.get(f"/fhir/Patient/_history?_since={MARK}")
    return statuses


@pytest.mark.parametrize("access", ["open", "smart"])
def test_nothing_that_a_client_sent_is_logged(access: str, tmp_path: Path, sqlite_url: str) -> None:
    port = free_port()
    command = [sys.executable, "-c", FAILING, "--port", str(port), "--database", sqlite_url]
    with started([*command, "--access", access], tmp_path) as process:
        told_until(process.stdout, "Hyoid serves")
        base = f"http://127.0.0.1:{port}"
        statuses = _asked(base) if access == "open" else _asked_smart(base)
        process.send_signal(signal.SIGINT)
        process.wait(30)
        assert process.stderr is not None
        log = process.stderr.read()
    assert MARK not in log
    assert MARK.lower() not in log.lower()
    if access == "open":
        assert statuses.count(500) == 9
        assert len(re.findall("Fault [0-9a-f]{16}", log)) == 9
    assert "RuntimeError" in log
    assert "which came from" in log
    assert " in fail" in log


def _asked_smart(base: str) -> list[int]:
    form = {"grant_type": MARK, "client_assertion": MARK, "token": MARK, "scope": MARK}
    secret = {"Authorization": f"Bearer {MARK}"}
    with httpx.Client(base_url=base, timeout=20, headers=secret) as client:
        for address in (f"/fhir/Patient/{MARK}", f"/fhir/Patient?name={MARK}", f"/{MARK}", "/docs"):
            client.get(address)
        return [
            client.post(f"/access/{each}", data=form).status_code
            for each in ("token", "introspect", "revoke")
        ]


def _line(error: BaseException, text: str = "told") -> str:
    try:
        raise error
    except BaseException:
        record = logging.LogRecord("x", 40, "x.py", 1, text, None, sys.exc_info())
    return WithoutData().format(record)


def test_codes_of_the_system_are_told() -> None:
    assert "errno 13" in _line(PermissionError(13, MARK, MARK))
    assert MARK not in _line(PermissionError(13, MARK, MARK))
    assert MARK not in _line(ExceptionGroup(MARK, [ValueError(MARK)]))


def test_one_message_is_one_line() -> None:
    assert (
        _line(ValueError(), "a\nERROR forged\x1b[31m")
        .splitlines()[0]
        .endswith("a\\x0aERROR forged\\x1b[31m")
    )


def test_an_error_that_came_from_itself_has_an_end() -> None:
    error = ValueError(MARK)
    error.__cause__ = error
    assert _line(error).count("ValueError") == 1
