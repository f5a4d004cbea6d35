"""hyoid demo: the invented clinic, loaded through the public interface and thrown away."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import subprocess
import urllib.request
from pathlib import Path
from typing import IO

import pytest

from tests.live import HYOID, clean_environment, free_port, hyoid


def _until(stream: IO[str], wanted: str) -> str:
    told = ""
    for line in stream:
        told += line
        if wanted in line:
            return told
    raise AssertionError(f"{wanted!r} was not told: {told}")


@pytest.mark.parametrize("sign", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_demo_is_loaded_served_and_thrown_away(tmp_path: Path, sign: signal.Signals) -> None:
    port = free_port()
    environment = clean_environment(TMPDIR=str(tmp_path), HYOID_DATABASE="sqlite:////nowhere/x")
    with subprocess.Popen(
        [*HYOID, "demo", "--port", str(port)],
        cwd=tmp_path,
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        told = _until(process.stdout, "Ctrl-C")
        opened = re.findall(rf"http://127\.0\.0\.1:{port}/\S*", told)
        assert any(url.endswith("/$everything") for url in opened)
        for url in opened:
            if "/fhir" in url:
                with urllib.request.urlopen(url, timeout=10) as answer:
                    assert json.load(answer)["resourceType"] in ("Bundle", "CapabilityStatement")
        process.send_signal(sign)
        process.wait(15)
        assert process.stderr.read() == ""
    assert os.listdir(tmp_path) == []


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
