"""How does a test get a real service process to talk to?"""

from __future__ import annotations

import io
import os
import signal
import socket
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from pathlib import Path
from typing import IO
from unittest import mock

HYOID = (sys.executable, "-m", "service.cli")
"""The command `hyoid` of the code under test, wherever it was installed."""

ROOT = Path(__file__).resolve().parent.parent
"""The top of the checkout."""


def free_port() -> int:
    """A port of 127.0.0.1 that nobody listens on now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
    return port


def clean_environment(**more: str) -> dict[str, str]:
    """The environment without settings of the service, and with `more`."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith("HYOID_")}
    return kept | more


def hyoid(
    *arguments: str, cwd: Path | None = None, env: Mapping[str, str] | None = None, stdin: str = ""
) -> subprocess.CompletedProcess[str]:
    """Run a command of hyoid to its end."""
    return subprocess.run(
        [*HYOID, *arguments],
        cwd=cwd,
        env=clean_environment(**(env or {})),
        input=stdin,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


def hyoid_here(*arguments: str, stdin: str = "") -> subprocess.CompletedProcess[str]:
    """The same within the process of the test: quicker, where that makes no difference."""
    from service.cli import main

    told, complaints = io.StringIO(), io.StringIO()
    given = io.TextIOWrapper(io.BytesIO(stdin.encode()))
    exit_code = 0
    with (
        mock.patch.multiple(sys, argv=["hyoid", *arguments], stdin=given),
        redirect_stdout(told),
        redirect_stderr(complaints),
    ):
        try:
            main()
        except SystemExit as left:
            exit_code = left.code if isinstance(left.code, int) else int(left.code is not None)
    return subprocess.CompletedProcess(arguments, exit_code, told.getvalue(), complaints.getvalue())


@contextmanager
def started(
    command: Sequence[str], cwd: Path, env: Mapping[str, str] | None = None
) -> Iterator[subprocess.Popen[str]]:
    """A process whose output can be read; killed at the end if it still runs then."""
    environment = clean_environment(**(env or {}))
    with subprocess.Popen(
        command,
        cwd=cwd,
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        preexec_fn=_hear_interrupts,
    ) as process:
        try:
            yield process
        finally:
            process.kill()


def _hear_interrupts() -> None:
    """What a shell starts in the background ignores them, and so would its children."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


def told_until(stream: IO[str] | None, wanted: str) -> str:
    """What a process tells up to the line with `wanted` in it."""
    told = ""
    for line in stream or ():
        told += line
        if wanted in line:
            return told
    raise AssertionError(f"{wanted!r} was not told, but: {told}")


@contextmanager
def running(
    command: Sequence[str],
    port: int,
    *,
    seconds: float = 30,
    cwd: Path | None = None,
    env: Mapping[str, str] | None = None,
) -> Iterator[str]:
    """Run a command that serves on `port` and is ready; gives `http://127.0.0.1:PORT`."""
    base = f"http://127.0.0.1:{port}"
    with tempfile.TemporaryFile() as output:
        process = subprocess.Popen(
            command, cwd=cwd, env=clean_environment(**(env or {})), stdout=output, stderr=output
        )
        try:
            if not _becomes_ready(process, f"{base}/health/ready", seconds):
                process.kill()
                output.seek(0)
                raise AssertionError(f"not ready: {output.read().decode()}")
            yield base
        finally:
            _stop(process)


UNLIMITED = {"HYOID_RATE_PER_SECOND": "0", "HYOID_REQUESTS_AT_ONCE": "0"}
"""Settings of a service that measures, or is asked more than any caller should."""


@contextmanager
def running_service(
    database: str,
    *arguments: str,
    access: str = "open",
    port: int | None = None,
    env: Mapping[str, str] | None = None,
) -> Iterator[str]:
    """`hyoid serve` on a free port with this database; gives `http://127.0.0.1:PORT`."""
    port = port or free_port()
    command = [*HYOID, "serve", "--port", str(port), "--database", database, "--access", access]
    with running([*command, *arguments], port, env=env) as base:
        yield base


def _becomes_ready(process: subprocess.Popen[bytes], url: str, seconds: float) -> bool:
    end = time.monotonic() + seconds
    while time.monotonic() < end and process.poll() is None:
        try:
            with urllib.request.urlopen(url, timeout=5) as answer:
                return bool(answer.status == 200)
        except (urllib.error.URLError, OSError):
            time.sleep(0.05)
    return False


def _stop(process: subprocess.Popen[bytes]) -> None:
    if process.poll() is None:
        process.send_signal(signal.SIGINT)
        try:
            process.wait(10)
        except subprocess.TimeoutExpired:
            process.kill()
    process.wait()
