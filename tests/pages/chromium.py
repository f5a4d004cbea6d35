"""How does a test drive a real browser? Chromium's own protocol over a pipe, no library between.

https://chromedevtools.github.io/devtools-protocol/ ; messages of JSON, each ended by NUL.
"""

from __future__ import annotations

import json
import os
import select
import shutil
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest


class Page:
    """One page of a browser."""

    def __init__(self, reading: int, writing: int) -> None:
        self._reading, self._writing = reading, writing
        self._number = 0
        self._rest = b""
        self._session = ""
        target = self.call("Target.createTarget", url="about:blank")["targetId"]
        attached = self.call("Target.attachToTarget", targetId=target, flatten=True)
        self._session = attached["sessionId"]
        self.call("Page.enable")

    def call(self, method: str, **params: Any) -> Any:
        self._number += 1
        message = {"id": self._number, "method": method, "params": params}
        if self._session:
            message["sessionId"] = self._session
        os.write(self._writing, json.dumps(message).encode() + b"\0")
        while True:
            answer = self._next()
            if answer.get("id") == self._number:
                assert "error" not in answer, answer
                return answer["result"]

    def go(self, url: str) -> None:
        self.call("Page.navigate", url=url)
        self.wait("document.readyState === 'complete' && location.href !== 'about:blank'")

    def tell(self, expression: str) -> Any:
        told = self.call("Runtime.evaluate", expression=expression, returnByValue=True)
        return told["result"].get("value")

    def wait(self, expression: str) -> None:
        end = time.monotonic() + 20
        while not self.tell(expression):
            assert time.monotonic() < end, (expression, self.tell("document.body.innerText"))
            time.sleep(0.05)

    def type(self, selector: str, text: str) -> None:
        self.tell(f"document.querySelector({json.dumps(selector)}).focus()")
        self.call("Input.insertText", text=text)

    def click(self, selector: str) -> None:
        self.tell("window.left = false")
        self.tell(f"document.querySelector({json.dumps(selector)}).click()")
        self.wait("window.left === undefined && document.readyState === 'complete'")

    def _next(self) -> Any:
        end = time.monotonic() + 30
        while b"\0" not in self._rest:
            ready, _, _ = select.select([self._reading], [], [], max(0, end - time.monotonic()))
            assert ready, "the browser does not answer"
            read = os.read(self._reading, 1 << 16)
            assert read, "the browser is gone"
            self._rest += read
        first, _, self._rest = self._rest.partition(b"\0")
        return json.loads(first)


@contextmanager
def page() -> Iterator[Page]:
    """A page of a browser with nothing in it; skips where there is no Chromium."""
    program = shutil.which("chromium") or shutil.which("chromium-browser")
    if program is None:
        pytest.skip("Chromium is not installed")
    to_browser, writing = os.pipe()
    reading, from_browser = os.pipe()

    def as_three_and_four() -> None:
        os.dup2(to_browser, 253)
        os.dup2(from_browser, 254)
        os.dup2(253, 3)
        os.dup2(254, 4)

    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        process = subprocess.Popen(
            [
                program,
                "--headless=new",
                "--no-sandbox",
                "--disable-gpu",
                "--remote-debugging-pipe",
                f"--user-data-dir={profile}",
            ],
            preexec_fn=as_three_and_four,
            close_fds=False,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(to_browser)
        os.close(from_browser)
        try:
            yield Page(reading, writing)
        finally:
            process.kill()
            process.wait()
            os.close(reading)
            os.close(writing)
