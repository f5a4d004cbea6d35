"""A caller gets his burst, then his rate; others are not held up by him (token bucket).

The rate over time is compared with a plain simulation of the bucket, as common practice has it.
"""

from __future__ import annotations

import random

import pytest

from service.access.limits import Allowance, Limits
from service.errors import Throttled


class Clock:
    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


def _asks(limits: Limits, name: str, cost: int = 1) -> bool:
    try:
        with limits.turn(name, cost):
            return True
    except Throttled:
        return False


def test_burst_then_refusal_then_as_many_as_time_gives() -> None:
    clock = Clock()
    limits = Limits(Allowance(per_second=2, burst=5, at_once=0), clock)
    assert [_asks(limits, "a") for _ in range(7)] == [True] * 5 + [False] * 2
    clock.now += 1
    assert [_asks(limits, "a") for _ in range(3)] == [True, True, False]
    assert _asks(limits, "b"), "another caller has an account of his own"
    clock.now += 1000
    assert [_asks(limits, "a") for _ in range(6)] == [True] * 5 + [False]


def test_the_refusal_says_how_long_to_wait() -> None:
    clock = Clock()
    limits = Limits(Allowance(per_second=0.1, burst=1, at_once=0), clock)
    assert _asks(limits, "a")
    clock.now += 3
    with pytest.raises(Throttled) as refused, limits.turn("a"):
        pass
    assert refused.value.headers["Retry-After"] == "7"
    assert refused.value.issues[0].code == "throttled"
    clock.now += 7
    assert _asks(limits, "a")


def test_over_a_long_time_it_is_the_rate_of_a_bucket() -> None:
    clock, chance = Clock(), random.Random(1)
    limits = Limits(Allowance(per_second=3, burst=4, at_once=0), clock)
    level, expected, found = 4.0, [], []
    for _ in range(2000):
        step = chance.expovariate(6)
        clock.now += step
        level = min(4.0, level + step * 3)
        expected.append(level >= 1)
        level -= level >= 1
        found.append(_asks(limits, "a"))
    assert found == expected
    assert not all(found)


def test_no_more_than_some_at_once_and_a_failed_one_gives_its_place_back() -> None:
    limits = Limits(Allowance(per_second=0, burst=0, at_once=2))
    with limits.turn("a"), limits.turn("a"):
        assert not _asks(limits, "a")
        assert _asks(limits, "b")
    with pytest.raises(RuntimeError), limits.turn("a"):
        raise RuntimeError
    with limits.turn("a"), limits.turn("a"):
        pass


def test_what_turns_out_to_cost_more_is_a_debt_of_its_caller() -> None:
    clock = Clock()
    limits = Limits(Allowance(per_second=2, burst=10, at_once=0), clock)
    account = limits.enter("a", 5)
    at_the_same_time = limits.enter("a", 5)
    limits.owe(account, 490)
    limits.leave(account)
    with pytest.raises(Throttled):
        limits.owe(at_the_same_time, 1)
    limits.leave(at_the_same_time)
    assert _asks(limits, "b")
    with pytest.raises(Throttled) as refused:
        limits.enter("a", 5)
    assert refused.value.headers["Retry-After"] == "248"  # 500 - 10 + 5 at 2 a second
    clock.now += 247
    assert not _asks(limits, "a", 5)
    clock.now += 1
    assert _asks(limits, "a", 5)


def test_names_cannot_fill_memory_nor_push_out_who_is_being_answered() -> None:
    limits = Limits(Allowance(per_second=1, burst=1, at_once=1), most=3)
    with limits.turn("a"):
        for number in range(50):
            assert _asks(limits, f"other {number}")
        assert len(limits._accounts) == 3
        assert not _asks(limits, "a")


def test_without_limits_nothing_is_counted() -> None:
    limits = Limits(Allowance(0, 0, 0))
    assert all(_asks(limits, "a") for _ in range(1000))
    assert not limits._accounts
