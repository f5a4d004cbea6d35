"""Sessions: random, hashed, renewed at sign-in, and over in time."""

from __future__ import annotations

import hashlib
from base64 import urlsafe_b64decode

from service.access.people import Asked
from service.access.sessions import SEEN_EVERY
from service.store.store import Store
from tests.access.integrators import Clock
from tests.access.visitors import PASSPHRASE, SPAN, added, people_at


def test_the_database_has_the_hash_alone(store: Store, clock: Clock) -> None:
    added(store.database)
    token = (
        people_at(store.database, clock).with_passphrase("robin", PASSPHRASE, Asked("::1")).token
    )
    assert len(urlsafe_b64decode(token + "=")) * 8 == 256
    with store.database.reader() as connection:
        rows = connection.rows("SELECT digest, login FROM person_session")
    assert rows == [(hashlib.sha256(token.encode()).hexdigest(), "robin")]


def test_signing_in_gives_another_session(store: Store, clock: Clock) -> None:
    """Session fixation: what the browser had before is worth nothing after."""
    added(store.database)
    people = people_at(store.database, clock)
    given = "A" * 43
    first = people.with_passphrase("robin", PASSPHRASE, Asked("::1", given)).token
    assert first != given
    assert people.sessions.signed_in(given) is None
    second = people.with_passphrase("robin", PASSPHRASE, Asked("::1", first)).token
    assert people.sessions.signed_in(second)
    assert people.sessions.signed_in(first) is None


def test_without_use_it_ends(store: Store, clock: Clock) -> None:
    added(store.database)
    people, other = people_at(store.database, clock), people_at(store.database, clock)
    token = people.with_passphrase("robin", PASSPHRASE, Asked("::1")).token
    clock.now += SPAN.idle - 1
    assert other.sessions.signed_in(token)
    # The use in one process counts in the other.
    clock.now += SPAN.idle - 1
    assert people.sessions.signed_in(token)
    clock.now += SPAN.idle
    assert people.sessions.signed_in(token) is None
    assert other.sessions.signed_in(token) is None


def test_in_use_it_ends_too(store: Store, clock: Clock) -> None:
    added(store.database)
    people = people_at(store.database, clock)
    start = clock.now
    token = people.with_passphrase("robin", PASSPHRASE, Asked("::1")).token
    while clock.now + 600 < start + SPAN.whole:
        clock.now += 600
        assert people.sessions.signed_in(token), clock.now - start
    clock.now = start + SPAN.whole
    assert people.sessions.signed_in(token) is None


def test_signed_out_in_one_process_is_signed_out_in_all(store: Store, clock: Clock) -> None:
    added(store.database)
    people, other = people_at(store.database, clock), people_at(store.database, clock)
    token = people.with_passphrase("robin", PASSPHRASE, Asked("::1")).token
    assert other.sessions.signed_in(token)
    people.sign_out(Asked("::1", token))
    clock.now += 1
    assert other.sessions.signed_in(token) is None


def test_it_is_quick_while_it_is_fresh(store: Store, clock: Clock) -> None:
    added(store.database)
    people = people_at(store.database, clock)
    token = people.with_passphrase("robin", PASSPHRASE, Asked("::1")).token
    assert not people.sessions.is_fresh(token)
    people.sessions.signed_in(token)
    assert people.sessions.is_fresh(token)
    clock.now += 1
    assert not people.sessions.is_fresh(token)
    clock.now += SEEN_EVERY
    people.sessions.signed_in(token)
    with store.database.reader() as connection:
        assert connection.row("SELECT seen FROM person_session") == (int(clock.now),)


def test_what_a_role_may_is_looked_at_again(store: Store, clock: Clock) -> None:
    added(store.database)
    people = people_at(store.database, clock)
    token = people.with_passphrase("robin", PASSPHRASE, Asked("::1")).token
    assert (found := people.sessions.signed_in(token))
    assert any(".crus" in scope for scope in found.caller.scopes)
    with store.database.writer() as connection:
        connection.run("UPDATE person SET role = 'reader'")
    clock.now += 1
    assert (found := people.sessions.signed_in(token))
    assert not any("c" in scope.rpartition(".")[2] for scope in found.caller.scopes)


def test_expired_sessions_are_cleared_away(store: Store, clock: Clock) -> None:
    added(store.database)
    people = people_at(store.database, clock)
    people.with_passphrase("robin", PASSPHRASE, Asked("::1"))
    clock.now += SPAN.whole + 1
    people.with_passphrase("robin", PASSPHRASE, Asked("::1"))
    with store.database.reader() as connection:
        assert connection.row("SELECT count(*) FROM person_session") == (1,)
