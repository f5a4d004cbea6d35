"""Which public keys does a system have now? Registered ones, or those behind its URL.

A set by URL is kept as long as its Cache-Control allows. An unknown key number makes it be
fetched again, so that a system can change its keys, but not more often than every FLOOR seconds:
whoever sends forged key numbers must not make us hammer the system.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field

from joserfc.jwk import Key

from service.access.client_keys import key_of, usable_keys
from service.access.fetching import Fetched, FetchError
from service.store.systems import SystemClient

log = logging.getLogger("hyoid")

FLOOR = 10
"""Seconds between two fetches that an unknown key number, or a failure, asks for."""

PLACES = 3
"""Most requests that may wait for one URL: one that does not answer must not take all threads."""


@dataclass(slots=True)
class _Held:
    """What is known of one URL. Times on the monotonic clock."""

    lock: threading.Lock = field(default_factory=threading.Lock)
    places: threading.Semaphore = field(default_factory=lambda: threading.Semaphore(PLACES))
    keys: tuple[Key, ...] = ()
    until: float = 0
    asked: float = float("-inf")


class KeySets:
    """The key sets of this process."""

    def __init__(
        self, fetch: Callable[[str], Fetched], clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._fetch = fetch
        self._clock = clock
        self._held: dict[str, _Held] = {}

    def key(self, client: SystemClient, kid: str, algorithm: str) -> Key | None:
        """The one key of the system with this number, fit for the algorithm."""
        if not client.jwks_url:
            return key_of(_registered(client.jwks), kid, algorithm)
        held = self._held.setdefault(client.jwks_url, _Held())
        if self._clock() < held.until:
            found = key_of(held.keys, kid, algorithm)
            if found is not None:
                return found
        if not held.places.acquire(blocking=False):
            return None
        try:
            with held.lock:
                return self._remote(client.jwks_url, held, kid, algorithm)
        finally:
            held.places.release()

    def _remote(self, url: str, held: _Held, kid: str, algorithm: str) -> Key | None:
        now = self._clock()
        rested = now - held.asked >= FLOOR
        if now >= held.until:
            if held.keys or rested:
                self._refresh(url, held)
        elif rested and not any(key.kid == kid for key in held.keys):
            self._refresh(url, held)
        return key_of(held.keys, kid, algorithm)

    def _refresh(self, url: str, held: _Held) -> None:
        held.asked = self._clock()
        expired = held.asked >= held.until
        try:
            fetched = self._fetch(url)
            held.keys = usable_keys(fetched.body)
            held.until = held.asked + fetched.lifetime
        except (FetchError, ValueError) as error:
            log.warning("The key set at %s could not be had: %s", url, error)
            if expired:
                held.keys = ()


def _registered(text: str) -> tuple[Key, ...]:
    try:
        return usable_keys(text)
    except ValueError:
        return ()
