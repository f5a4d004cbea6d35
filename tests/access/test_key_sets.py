"""Key sets by URL: as fresh as their Cache-Control wants, and never hammered.

Source: SMART App Launch 2.2, client-confidential-asymmetric: the cache SHALL NOT outlive the
Cache-Control of the system; a new `kid` may appear at any time.
"""

from __future__ import annotations

import logging
import threading
from concurrent.futures import ThreadPoolExecutor

import pytest

from service.access.fetching import Fetched, FetchError
from service.access.key_sets import FLOOR, PLACES, KeySets
from service.store.systems import SystemClient
from tests.access.integrators import Clock, ec_key, key_set

KEY = ec_key("one")
BY_URL = SystemClient("a", frozenset(), jwks_url="https://clinic.example/jwks")


class Remote:
    """What lies at the URL, and how often it was asked."""

    def __init__(self, *kids: str, lifetime: int = 60) -> None:
        self.kids, self.lifetime = kids, lifetime
        self.asked = 0
        self.fails = False

    def __call__(self, url: str) -> Fetched:
        assert url == BY_URL.jwks_url
        self.asked += 1
        if self.fails:
            raise FetchError("down")
        return Fetched(key_set(*(ec_key(kid) for kid in self.kids)).encode(), self.lifetime)


def _has(sets: KeySets, kid: str) -> bool:
    return sets.key(BY_URL, kid, "ES384") is not None


def test_a_set_is_kept_as_long_as_it_may() -> None:
    clock, remote = Clock(), Remote("one")
    sets = KeySets(remote, clock)
    for _ in range(3):
        assert _has(sets, "one")
    assert remote.asked == 1
    clock.now += 60
    remote.kids = ("two",)
    assert not _has(sets, "one")
    assert remote.asked == 2


def test_a_new_key_is_found_at_once_but_forged_numbers_do_not_hammer() -> None:
    clock, remote = Clock(), Remote("one", lifetime=3600)
    sets = KeySets(remote, clock)
    assert _has(sets, "one")
    clock.now += FLOOR
    remote.kids = ("one", "two")
    assert _has(sets, "two")
    assert remote.asked == 2
    for number in range(100):
        assert not _has(sets, f"forged-{number}")
        clock.now += 0.01
    assert remote.asked == 2
    clock.now += FLOOR
    assert not _has(sets, "forged")
    assert remote.asked == 3


def test_trouble_there_does_not_end_a_set_that_still_counts(
    caplog: pytest.LogCaptureFixture,
) -> None:
    clock, remote = Clock(), Remote("one")
    sets = KeySets(remote, clock)
    assert _has(sets, "one")
    remote.fails = True
    clock.now += FLOOR
    with caplog.at_level(logging.WARNING, "hyoid"):
        assert not _has(sets, "two")
    assert "clinic.example" in caplog.text
    assert _has(sets, "one")
    clock.now += 60
    assert not _has(sets, "one")
    asked = remote.asked
    assert not _has(sets, "one")
    assert remote.asked == asked
    remote.fails = False
    clock.now += FLOOR
    assert _has(sets, "one")


def test_what_is_no_key_set_is_none(caplog: pytest.LogCaptureFixture) -> None:
    sets = KeySets(lambda url: Fetched(b"<html>", 60), Clock())
    assert not _has(sets, "one")
    assert "not JSON" in caplog.text


def test_a_registered_set_is_not_fetched() -> None:
    remote = Remote("one")
    sets = KeySets(remote, Clock())
    registered = SystemClient("b", frozenset(), jwks=key_set(ec_key("here")))
    assert sets.key(registered, "here", "ES384") is not None
    assert sets.key(registered, "one", "ES384") is None
    assert sets.key(SystemClient("c", frozenset(), jwks="broken"), "one", "ES384") is None
    assert remote.asked == 0


def test_a_url_that_does_not_answer_holds_up_a_few_requests_only() -> None:
    answered = threading.Event()
    inside = threading.Semaphore(0)

    def slow(_: str) -> Fetched:
        inside.release()
        answered.wait(10)
        return Fetched(key_set(KEY).encode(), 60)

    sets = KeySets(slow)
    with ThreadPoolExecutor(PLACES) as pool:
        waiting = [pool.submit(_has, sets, "one") for _ in range(PLACES)]
        inside.acquire()
        while sets._held[BY_URL.jwks_url].places.acquire(blocking=False):
            sets._held[BY_URL.jwks_url].places.release()
        assert not _has(sets, "one"), "at once, without waiting"
        answered.set()
        assert all(each.result() for each in waiting)
    assert _has(sets, "one")
