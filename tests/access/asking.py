"""How does a test ask as any caller? The FHIR application, with a gate that says who asks."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any
from urllib.parse import urlsplit

import anyio
from anyio.from_thread import start_blocking_portal

from service.access.recording import Recording
from service.caller import ANONYMOUS, Caller
from service.rest.call import Service
from service.rest.fhir_app import FhirApp
from service.settings import Settings
from service.store.store import Store

BASE = "http://clinic.example/fhir"


@dataclass(frozen=True)
class Told:
    """An answer."""

    status: int
    headers: Mapping[str, str]
    body: bytes

    def json(self) -> Any:
        return json.loads(self.body)


class _Named:
    """A gate that lets everybody in as whom the test names."""

    def __init__(self) -> None:
        self.caller = ANONYMOUS

    def admit(self, interaction: str, headers: Mapping[str, str], method: str = "") -> Caller:
        return self.caller

    def is_quick(self, interaction: str, headers: Mapping[str, str]) -> bool:
        return True


class Asking:
    """Requests to one store, by any caller."""

    def __init__(self, store: Store, **settings: Any) -> None:
        self.store = store
        self._gate = _Named()
        # Thousands of questions in a second are what these tests are for.
        told = Settings(**{"base_url": BASE, "rate_per_second": 0, **settings})
        service = Service(store, told, b"cursor key")
        self._lasting = ExitStack()
        folder = self._lasting.enter_context(TemporaryDirectory())
        self.recording = Recording(store.database, Path(folder))
        self._app = FhirApp(service, self._gate, self.recording)
        # One task that lasts: with it last the threads, and with these their connections.
        self._portal = self._lasting.enter_context(start_blocking_portal())

    def close(self) -> None:
        """End the loop and its threads."""
        self._lasting.close()

    def __call__(
        self,
        caller: Caller,
        method: str,
        address: str,
        body: Any = None,
        **headers: str,
    ) -> Told:
        """Ask; `address` is relative to the base URL or absolute, `if_match="…"` a header."""
        self._gate.caller = caller
        sent = b"" if body is None else body if isinstance(body, bytes) else json.dumps(body)
        content = sent.encode() if isinstance(sent, str) else sent
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        if content:
            named.setdefault("content-type", "application/fhir+json")
        url = urlsplit(address if address.startswith("http") else f"{BASE}/{address}")
        scope = {
            "type": "http",
            "method": method,
            "scheme": "http",
            "path": url.path,
            "raw_path": url.path.encode(),
            "query_string": url.query.encode(),
            "headers": [(b"host", b"clinic.example")]
            + [(name.encode(), value.encode()) for name, value in named.items()],
        }
        return self._portal.call(self._ask, scope, content)

    async def _ask(self, scope: dict[str, Any], content: bytes) -> Told:
        said: list[Any] = []
        requests = iter([{"type": "http.request", "body": content, "more_body": False}])

        async def receive() -> dict[str, Any]:
            request = next(requests, None)
            if request is None:
                # A client that waits for its answer says nothing more.
                await anyio.sleep_forever()
            assert request is not None
            return request

        async def send(message: Any) -> None:
            said.append(message)

        await self._app(scope, receive, send)
        headers = {name.decode(): value.decode() for name, value in said[0]["headers"]}
        return Told(
            said[0]["status"], headers, b"".join(each.get("body", b"") for each in said[1:])
        )


@contextmanager
def asking(store: Store, **settings: Any) -> Iterator[Asking]:
    """Requests to a store, for the time of the block."""
    asker = Asking(store, **settings)
    try:
        yield asker
    finally:
        asker.close()
