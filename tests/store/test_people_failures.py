"""How often can somebody guess in a day who never pauses? The bounds that `people_failures.py`
names, by a clock that jumps to the next moment at which one more guess is let through."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from service.store.people_failures import (
    AT_ADDRESS,
    AT_KNOWN_ADDRESS,
    FROM_NETWORK,
    Rule,
    Tried,
    counted_attempt,
    succeeded,
)
from service.store.store import Store

DAY = 86400
START = 1_800_000_000


def _guessed(store: Store, tried: Callable[[int], Tried]) -> int:
    now, guesses = START, 0
    while now < START + DAY:
        wait = counted_attempt(store.database, tried(guesses), now).wait
        if wait:
            now += wait
        else:
            guesses += 1
    return guesses


@pytest.mark.parametrize(
    ("tried", "most"),
    [
        (lambda n: Tried("robin", "one", "one"), 105),
        # A network of many addresses.
        (lambda n: Tried("robin", f"address {n}", "one"), 105),
        # Everywhere at once.
        (lambda n: Tried("robin", f"address {n}", f"network {n}"), 780),
        # Many logins from one address.
        (lambda n: Tried(f"login {n}", "one", "one"), 120),
    ],
)
def test_guesses_in_a_day(tried: Callable[[int], Tried], most: int, store: Store) -> None:
    assert 0.95 * most <= _guessed(store, tried) <= most


def test_a_browser_of_the_login_has_ten_and_is_a_stranger_then(store: Store) -> None:
    mine = Tried("robin", "one", "one", browser="b")
    assert succeeded(store.database, counted_attempt(store.database, mine, START), "b", START)
    guesses, now = 0, START
    while (attempt := counted_attempt(store.database, mine, now)).knows_browser:
        guesses, now = guesses + (not attempt.wait), now + attempt.wait
    assert guesses == 10


@pytest.mark.parametrize(
    ("rule", "waits", "most"),
    [
        (FROM_NETWORK, [0, 30, 60, 120, 240, 480, 900, 900], 105),
        (AT_ADDRESS, [0, 30, 60, 120, 240, 480, 900, 900], 120),
        (AT_KNOWN_ADDRESS, [0, 30, 60, 60, 60, 60, 60, 60], 1460),
    ],
)
def test_waits_grow_and_end_somewhere(rule: Rule, waits: list[int], most: int) -> None:
    assert [rule.waiting(rule.free - 1 + more) for more in range(8)] == waits
    assert rule.waiting(1_000_000) == rule.longest
    now = guesses = 0
    while now < DAY:
        guesses += 1
        now += rule.waiting(guesses)
    assert 0.95 * most <= guesses <= most


def test_a_success_at_an_address_lets_others_behind_it_wait_less(store: Store) -> None:
    robin = Tried("robin", "house", "net")
    succeeded(store.database, counted_attempt(store.database, robin, START), "b", START)
    now = START
    for number in range(30):
        while wait := counted_attempt(
            store.database, Tried(f"guess {number}", "house", "net"), now
        ).wait:
            assert wait <= AT_KNOWN_ADDRESS.longest
            now += wait


def test_right_ones_between_buy_no_guesses(store: Store) -> None:
    """Somebody with a login of his own signs in between guesses at another's: in a browser that
    knows him nothing is taken back, and as a stranger he waits for his turn himself."""
    own = Tried("mallory", "one", "one", browser="m")
    attempt = counted_attempt(store.database, own, START)
    succeeded(store.database, attempt, "m", START)
    now, guesses = START, 0
    while now < START + DAY / 4:
        wait = counted_attempt(store.database, Tried(f"login {guesses}", "one", "one"), now).wait
        mine = counted_attempt(store.database, own, now)
        if not mine.wait:
            succeeded(store.database, mine, "m", now)
        now, guesses = now + wait, guesses + (not wait)
    assert guesses <= 20 + 1440 / 4 + 5
