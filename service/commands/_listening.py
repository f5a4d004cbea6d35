"""Where does the service listen, and how is it run there? Uvicorn, on a port that was free."""

from __future__ import annotations

import errno
import ipaddress
import os
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import uvicorn

from service.commands._connections import BoundedProtocol
from service.commands._logging import log_config
from service.commands._options import as_environment
from service.commands._safety import CIPHERS, proxies_of
from service.commands._telling import MISUSED, RefusedError
from service.settings import Settings, origin

_BACKLOG = 1024
_UVICORN: dict[str, Any] = {
    "http": BoundedProtocol,
    "ws": "none",
    "log_level": "warning",
    "access_log": False,
    "server_header": False,
    "log_config": log_config(),
    "proxy_headers": True,
    # Longer than proxies keep an idle connection (60 seconds is common), so that they close first.
    "timeout_keep_alive": 75,
    "timeout_graceful_shutdown": 10,
    # A worker that has not started by then is killed and begun anew: of 5 seconds, as Uvicorn has
    # it, none ever serves on a machine that is busy.
    "timeout_worker_healthcheck": 60,
    "backlog": _BACKLOG,
}


def _options(settings: Settings) -> dict[str, Any]:
    own: dict[str, Any] = {"forwarded_allow_ips": proxies_of(settings)}
    if settings.tls_cert:
        own["ssl_certfile"], own["ssl_keyfile"] = settings.tls_cert, settings.tls_key
        own["ssl_ciphers"] = CIPHERS
    return _UVICORN | own


@contextmanager
def listening(settings: Settings) -> Iterator[socket.socket]:
    """A listening socket; RefusedError where the address is not ours, is taken, or is too open."""
    host, port = settings.host, settings.port
    family, address = _resolved(host, port)
    if settings.access == "open" and not ipaddress.ip_address(address[0]).is_loopback:
        raise RefusedError(
            "--access open lets whoever reaches it do everything, so it listens on loopback only"
            f" (127.0.0.1, ::1), not on {host!r}",
            MISUSED,
        )
    listener = socket.socket(family, socket.SOCK_STREAM)
    try:
        if os.name == "posix":
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listener.bind(address)
            listener.listen(_BACKLOG)
        except OSError as error:
            raise _unusable(host, port, error) from None
        yield listener
    finally:
        listener.close()


def is_loopback(listener: socket.socket) -> bool:
    """Whether only this machine reaches it."""
    return ipaddress.ip_address(listener.getsockname()[0]).is_loopback


def url_of(listener: socket.socket, host: str, scheme: str = "http") -> str:
    """What to open in a browser on this machine."""
    return origin(host, listener.getsockname()[1], scheme)


def one_process(settings: Settings) -> uvicorn.Server:
    """A server for this process: `server.run(sockets=[listener])`."""
    from service.app import create_app

    return uvicorn.Server(uvicorn.Config(create_app(settings), **_options(settings)))


def run_workers(settings: Settings, listener: socket.socket, workers: int) -> None:
    """Serve from `workers` processes until a signal; settings reach them as HYOID_* variables."""
    port = listener.getsockname()[1]
    listener.close()
    os.environ.update(as_environment(settings))
    uvicorn.run(
        "service.app:app_from_environment",
        factory=True,
        host=settings.host,
        port=port,
        workers=workers,
        **_options(settings),
    )


def _resolved(host: str, port: int) -> tuple[socket.AddressFamily, Any]:
    try:
        found = socket.getaddrinfo(
            host or None, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )
    except (OSError, UnicodeError):
        raise RefusedError(f"--host: {host!r} is no address of this machine", MISUSED) from None
    family, _, _, _, address = found[0]
    return family, address


def _unusable(host: str, port: int, error: OSError) -> RefusedError:
    if error.errno == errno.EADDRINUSE:
        return RefusedError(f"Port {port} is taken: choose another with --port")
    if error.errno == errno.EACCES:
        return RefusedError(f"Port {port} needs more rights: choose one above 1023 with --port")
    if error.errno == errno.EADDRNOTAVAIL:
        return RefusedError(f"--host: {host!r} is no address of this machine", MISUSED)
    return RefusedError(f"Cannot listen on {host}, port {port}: {error.strerror}")
