"""hyoid demo: the invented clinic, loaded through the public interface and thrown away."""

from __future__ import annotations

import contextlib
import json
import os
import re
import signal
import socket
import time
import urllib.request
from pathlib import Path

import pytest

from tests.live import HYOID, free_port, hyoid, started, told_until


def test_demo_tells_what_to_open_and_all_of_it_opens(tmp_path: Path) -> None:
    port = free_port()
    command = [*HYOID, "demo", "--port", str(port)]
    environment = {"TMPDIR": str(tmp_path), "HYOID_DATABASE": "sqlite:////nowhere/x"}
    with started(command, tmp_path, environment) as process:
        told = told_until(process.stdout, "Ctrl-C")
        opened = re.findall(rf"http://127\.0\.0\.1:{port}(/\S*)", told)
        assert {"/", "/docs", "/fhir/metadata"} <= set(opened)
        for path in opened:
            with urllib.request.urlopen(f"http://127.0.0.1:{port}{path}", timeout=10) as answer:
                body = answer.read()
            if path.startswith("/fhir") and path != "/fhir/metadata":
                assert json.loads(body)["entry"]
        assert os.listdir(tmp_path) != []
        process.send_signal(signal.SIGINT)
        process.wait(15)
        assert process.stderr is not None
        assert process.stderr.read() == ""
    assert os.listdir(tmp_path) == []


@pytest.mark.parametrize("sign", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_demo_stopped_while_it_loads_leaves_nothing(tmp_path: Path, sign: signal.Signals) -> None:
    port = free_port()
    command = [*HYOID, "demo", "--port", str(port)]
    with started(command, tmp_path, {"TMPDIR": str(tmp_path)}) as process:
        # Answered as soon as it serves, and then the clinic is still being sent.
        with urllib.request.urlopen(_once_listening(port), timeout=10) as answer:
            assert answer.status == 200
        process.send_signal(sign)
        process.wait(15)
        assert process.stderr is not None
        assert process.stderr.read() == ""
    assert os.listdir(tmp_path) == []


def _once_listening(port: int) -> str:
    for _ in range(200):
        with contextlib.suppress(OSError):
            socket.create_connection(("127.0.0.1", port), timeout=5).close()
            return f"http://127.0.0.1:{port}/health/ready"
        time.sleep(0.05)
    raise AssertionError("the demo does not listen")


def test_taken_port_is_told_before_anything_is_made(tmp_path: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = str(taken.getsockname()[1])
        done = hyoid("demo", "--port", port, env={"TMPDIR": str(tmp_path)})
    assert (done.returncode, done.stderr) == (
        1,
        f"hyoid: Port {port} is taken: choose another with --port\n",
    )
    assert os.listdir(tmp_path) == []
