"""How much may one caller ask at once, and in a minute? (RFC 6585, section 4: 429)

A token bucket for each caller and process: `burst` requests at once, then `per_second`. Callers
who are not known yet are told apart by their address.
"""

from __future__ import annotations

import math
import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from ipaddress import IPv6Address, ip_network

from anyio import CapacityLimiter

from service.caller import Caller
from service.errors import Throttled
from service.settings import Settings


@dataclass(frozen=True, slots=True)
class Allowance:
    """What one caller may do. Zero for `per_second` or `at_once` means no limit.

    `threads` are those that work for it at the same time: others are left some.
    """

    per_second: float
    burst: int
    at_once: int
    threads: int = 1

    @property
    def is_unlimited(self) -> bool:
        """Whether nothing has to be counted."""
        return not self.per_second and not self.at_once


class Account:
    """What one caller has left, and how many of his requests are being answered."""

    __slots__ = ("left", "running", "since", "threads")

    def __init__(self, allowance: Allowance, now: float) -> None:
        self.left = float(allowance.burst)
        self.since = now
        self.running = 0
        self.threads = CapacityLimiter(allowance.threads)


def allowance_of(settings: Settings) -> Allowance:
    """What each caller may do; without access control, on loopback alone, there is no limit."""
    if settings.access == "open":
        return Allowance(0, 0, 0)
    return Allowance(
        settings.rate_per_second,
        settings.rate_burst,
        settings.requests_at_once,
        max(1, settings.threads * 3 // 4),
    )


def name_of(caller: Caller, address: str) -> str:
    """Whose account it is: his who asks; by address where that is not known."""
    return name_at(address) if caller.kind == "anonymous" else f"{caller.kind} {caller.name}"


@lru_cache(maxsize=1024)
def name_at(address: str) -> str:
    """The account of an address; of IPv6, where everybody has many, of the network of 64 bits."""
    try:
        if IPv6Address(address).ipv4_mapped is None:
            address = str(ip_network((address, 64), strict=False))
    except ValueError:
        pass
    return f"address {address}"


class Limits:
    """The accounts of the callers of one process, those who asked last."""

    def __init__(
        self,
        allowance: Allowance,
        clock: Callable[[], float] = time.monotonic,
        most: int = 10_000,
    ) -> None:
        """`clock` gives seconds; `most` accounts are kept, so that names cannot fill memory."""
        self._allowance = allowance
        self._clock = clock
        self._most = most
        self._accounts: OrderedDict[str, Account] = OrderedDict()
        self._lock = threading.Lock()

    @contextmanager
    def turn(self, name: str, cost: int = 1) -> Iterator[None]:
        """Answer one request of this caller. Raises Throttled, with the seconds to wait."""
        account = self.enter(name, cost)
        try:
            yield
        finally:
            self.leave(account)

    def enter(self, name: str, cost: int = 1) -> Account | None:
        """Begin to answer a request that counts as `cost`; for `leave`. Raises Throttled."""
        allowance = self._allowance
        if allowance.is_unlimited:
            return None
        with self._lock:
            account = self._account(name)
            if allowance.at_once and account.running >= allowance.at_once:
                raise _wait(1, f"More than {allowance.at_once} requests at once")
            if allowance.per_second:
                now = self._clock()
                gained = (now - account.since) * allowance.per_second
                account.left, account.since = min(account.left + gained, allowance.burst), now
                # What costs more than the bucket holds needs all of it.
                needed = min(cost, allowance.burst)
                if account.left < needed:
                    raise _wait((needed - account.left) / allowance.per_second, "Too many requests")
                account.left -= needed
            account.running += 1
            return account

    def leave(self, account: Account | None) -> None:
        """The request was answered."""
        if account is not None:
            with self._lock:
                account.running -= 1

    def owe(self, account: Account | None, cost: int) -> None:
        """Count what a request was found to cost beyond what it was let in for.

        A large one is not refused for that, it makes a debt: others wait until as much has come
        in. Raises Throttled where there is a debt already, of requests at the same time.
        """
        if account is not None and self._allowance.per_second and cost > 0:
            with self._lock:
                if account.left < 0:
                    raise _wait(-account.left / self._allowance.per_second, "Too many requests")
                account.left -= cost

    def charge(self, name: str) -> None:
        """Count a request that was refused already. Raises Throttled where it is one too many."""
        self.leave(self.enter(name))

    def _account(self, name: str) -> Account:
        account = self._accounts.get(name)
        if account is None:
            account = self._accounts[name] = Account(self._allowance, self._clock())
            if len(self._accounts) > self._most:
                self._forget_one()
        else:
            self._accounts.move_to_end(name)
        return account

    def _forget_one(self) -> None:
        """The one that has asked nothing for longest; not one that is being answered."""
        idle = next((name for name, some in self._accounts.items() if not some.running), None)
        if idle is not None:
            del self._accounts[idle]


def _wait(seconds: float, text: str) -> Throttled:
    wait = max(1, math.ceil(seconds))
    return Throttled(f"{text}: try again later", headers={"Retry-After": str(wait)})
