"""Who holds this access token, and may he still? (RFC 6750)

A token is verified once and remembered; after that only what can change is looked up again, at
most every `RECHECK` seconds: is the token revoked, its key withdrawn, the system disabled or
narrowed? So much time may pass between such a change and its effect.
"""

from __future__ import annotations

import hashlib
import time
from collections.abc import Callable
from dataclasses import dataclass

from service.access.narrowing import bounded, mark_of
from service.access.refusals import InvalidToken
from service.access.remembered import Remembered
from service.access.signing import LONGEST_TOKEN
from service.access.tokens import AccessToken, AccessTokens
from service.caller import Caller
from service.store.engine import Database
from service.store.systems import SystemClient, standing_of

RECHECK = 1.0
REMEMBERED = 4096
"""Tokens that one process remembers."""


@dataclass(slots=True)
class _Known:
    """A token that was verified; `checked` on the monotonic clock."""

    token: AccessToken
    client: SystemClient
    caller: Caller
    checked: float


class Bearers:
    """The tokens that one process has seen."""

    def __init__(
        self,
        database: Database,
        tokens: AccessTokens,
        clock: Callable[[], float] = time.time,
        ticks: Callable[[], float] = time.monotonic,
    ) -> None:
        self._database = database
        self._tokens = tokens
        self._clock = clock
        self._ticks = ticks
        self._known: Remembered[bytes, _Known] = Remembered(REMEMBERED)

    def caller(self, text: str) -> Caller:
        """Who holds the token. Raises InvalidToken."""
        digest = hashlib.sha256(text.encode()).digest()
        now, ticks = self._clock(), self._ticks()
        known = self._known.get(digest)
        if known is None:
            known = self._looked_up(self._tokens.read(text, int(now)), None, ticks)
            self._known.keep(digest, known)
        elif ticks - known.checked >= RECHECK:
            known = self._looked_up(known.token, known, ticks)
            self._known.keep(digest, known)
        if known.token.expires <= now:
            raise InvalidToken("The access token has expired", expired=True)
        return known.caller

    def is_fresh(self, text: str) -> bool:
        """Whether `caller` would answer without the database."""
        known = self._known.peek(hashlib.sha256(text.encode()).digest())
        return known is not None and self._ticks() - known.checked < RECHECK

    def active(self, text: str) -> tuple[AccessToken, Caller] | None:
        """The token and its holder if it counts now: looked up, whatever is remembered."""
        try:
            token = self._tokens.read(text, int(self._clock()))
            return token, self._looked_up(token, None, 0).caller
        except InvalidToken:
            return None

    def _looked_up(self, token: AccessToken, known: _Known | None, ticks: float) -> _Known:
        since = int(self._clock()) - LONGEST_TOKEN
        with self._database.reader() as connection:
            standing = standing_of(connection, token.client_id, token.kid, token.jti, since)
        if (
            standing is None
            or standing.client.disabled is not None
            or standing.revoked
            or not standing.signed_by_ours
        ):
            raise InvalidToken("The access token counts no more")
        if known is not None and known.client == standing.client:
            return _Known(token, known.client, known.caller, ticks)
        return _Known(token, standing.client, _caller(token, standing.client), ticks)


def _caller(token: AccessToken, client: SystemClient) -> Caller:
    """What the token says, and no more than the system may do now."""
    return Caller(
        client.id,
        _scopes(token, client),
        tied=_both(token.tied, client.tied),
        kind="system",
        reference=client.reference,
        token=token.jti,
    )


def _scopes(token: AccessToken, client: SystemClient) -> frozenset[str]:
    if token.made_from == mark_of(client.scopes):
        return token.scopes
    try:
        return bounded(token.scopes, client.scopes)
    except ValueError:
        return frozenset()


def _both(one: frozenset[str] | None, other: frozenset[str] | None) -> frozenset[str] | None:
    if one is None or other is None:
        return other if one is None else one
    return one & other
