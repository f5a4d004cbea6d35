"""A server of key sets on loopback, for the tests of what fetches them."""

from __future__ import annotations

import ssl
import threading
from collections.abc import Callable
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

Answer = Callable[[BaseHTTPRequestHandler], None]


class KeyServer:
    """A server on loopback that answers as it is told, and remembers what was asked."""

    def __init__(self, certificate: Path | None = None, key: Path | None = None) -> None:
        self.answer: Answer = lambda asked: say(asked, b'{"keys": []}')
        self.asked: list[dict[str, str]] = []
        outer = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                outer.asked.append({"path": self.path, **dict(self.headers)})
                outer.answer(self)

            def log_message(self, *_: Any) -> None:
                pass

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        if certificate:
            context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
            context.load_cert_chain(certificate, key)
            self._server.socket = context.wrap_socket(self._server.socket, server_side=True)
        self.port = self._server.server_address[1]
        self.url = f"http://127.0.0.1:{self.port}/jwks"
        threading.Thread(target=self._server.serve_forever, daemon=True).start()

    def close(self) -> None:
        self._server.shutdown()
        self._server.server_close()


def say(asked: BaseHTTPRequestHandler, body: bytes, status: int = 200, **headers: str) -> None:
    asked.send_response(status)
    for name, value in headers.items():
        asked.send_header(name.replace("_", "-"), value)
    asked.send_header("Content-Length", str(len(body)))
    asked.end_headers()
    asked.wfile.write(body)
