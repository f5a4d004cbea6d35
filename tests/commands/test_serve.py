"""hyoid serve: where it listens, what it refuses, how it stops."""

from __future__ import annotations

import json
import signal
import socket
import urllib.error
import urllib.request
from pathlib import Path

import pytest

from tests.live import HYOID, free_port, hyoid, running_service, started, told_until


def _get(url: str) -> tuple[int, dict[str, str], bytes]:
    try:
        with urllib.request.urlopen(url, timeout=10) as answer:
            return answer.status, dict(answer.headers), answer.read()
    except urllib.error.HTTPError as error:
        with error:
            return error.code, dict(error.headers), error.read()


def test_service_answers_and_does_not_name_its_server(live_service: str) -> None:
    status, headers, body = _get(f"{live_service}/fhir/metadata")
    assert (status, json.loads(body)["resourceType"]) == (200, "CapabilityStatement")
    assert "server" not in {name.lower() for name in headers}


@pytest.mark.parametrize("host", ["0.0.0.0", "::", ""])
def test_open_access_is_refused_where_others_can_reach_it(host: str) -> None:
    done = hyoid("serve", "--access", "open", "--host", host, "--port", "0")
    assert done.returncode == 2
    assert "loopback only" in done.stderr


def test_open_access_by_setting_is_refused_as_well() -> None:
    done = hyoid("serve", "--port", "0", env={"HYOID_ACCESS": "open", "HYOID_HOST": "0.0.0.0"})
    assert done.returncode == 2


def test_taken_port_is_told(sqlite_url: str) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = str(taken.getsockname()[1])
        done = hyoid("serve", "--port", port, "--database", sqlite_url)
    assert done.returncode == 1
    assert done.stderr == f"hyoid: Port {port} is taken: choose another with --port\n"


def test_foreign_address_is_told() -> None:
    done = hyoid("serve", "--host", "192.0.2.1", "--port", "0")
    assert (done.returncode, done.stderr.count("\n")) == (2, 1)


def test_postgresql_has_to_be_migrated_first(postgres_url: str) -> None:
    arguments = ("serve", "--port", str(free_port()), "--database", postgres_url)
    done = hyoid(*arguments)
    assert done.returncode == 1
    assert "run hyoid migrate" in done.stderr
    assert hyoid("migrate", "--database", postgres_url).returncode == 0
    with running_service(postgres_url) as base:
        assert _get(f"{base}/fhir/metadata")[0] == 200


def test_smart_access_lets_nobody_in_without_a_token(sqlite_url: str) -> None:
    with running_service(sqlite_url, access="smart") as base:
        assert _get(f"{base}/fhir/metadata")[0] == 200
        status, _, body = _get(f"{base}/fhir/Patient/1")
    assert (status, json.loads(body)["resourceType"]) == (401, "OperationOutcome")


def test_several_workers_share_the_store(sqlite_url: str) -> None:
    with running_service(sqlite_url, "--workers", "2") as base:
        body = json.dumps({"resourceType": "Patient", "id": "shared"}).encode()
        headers = {"Content-Type": "application/fhir+json"}
        request = urllib.request.Request(f"{base}/fhir/Patient/shared", body, headers, method="PUT")
        with urllib.request.urlopen(request, timeout=10) as answer:
            assert answer.status == 201
        assert {_get(f"{base}/fhir/Patient/shared")[0] for _ in range(10)} == {200}


@pytest.mark.parametrize("sign", [signal.SIGINT, signal.SIGTERM])
def test_service_stops_in_order(sqlite_url: str, tmp_path: Path, sign: signal.Signals) -> None:
    command = [*HYOID, "serve", "--port", str(free_port()), "--database", sqlite_url]
    with started(command, tmp_path) as process:
        told_until(process.stdout, "Hyoid serves")
        process.send_signal(sign)
        assert process.wait(30) in (0, -sign)
        assert process.stderr is not None
        assert "Traceback" not in process.stderr.read()


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("HYOID_TOKEN_SECONDS", "0"),
        ("HYOID_TOKEN_SECONDS", "3601"),
        ("HYOID_JWKS_NETWORKS", "10.0.0.0/99"),
        ("HYOID_BASE_URL", "records.example/fhir"),
        ("HYOID_BASE_URL", "https:///fhir"),
    ],
)
def test_settings_of_access_that_cannot_be_are_told(name: str, value: str, sqlite_url: str) -> None:
    done = hyoid("serve", "--port", "0", "--database", sqlite_url, env={name: value})
    assert (done.returncode, done.stderr.count("\n")) == (2, 1)
    assert name in done.stderr
