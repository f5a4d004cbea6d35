"""Registered systems, used assertions and revoked tokens, on both engines."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import pytest

from service.errors import Conflict, NotFound
from service.store.engine import Database
from service.store.store import Store
from service.store.systems import (
    SystemClient,
    add_client,
    all_clients,
    change_client,
    disable_client,
    required_client,
    standing_of,
)
from service.store.systems_keys import rotate, signing_key, verifying_key
from service.store.systems_tokens import CLEARED, revoke_token, use_assertion

NOW = 1_800_000_000
LAKESIDE = SystemClient(
    "lakeside",
    frozenset({"system/Patient.r", "system/Observation.rs"}),
    frozenset({"Organization/a"}),
    "Device/d",
    '{"keys":[]}',
    "",
    NOW * 1_000_000,
)


def _count(store: Store, table: str) -> int:
    with store.database.reader() as connection:
        row = connection.row(f"SELECT count(*) FROM {table}")
    assert row
    return int(row[0])


def test_a_system_is_kept_as_it_was_given(store: Store) -> None:
    add_client(store.database, LAKESIDE)
    assert required_client(store.database, "lakeside") == LAKESIDE
    other = replace(LAKESIDE, id="a", tied=None, jwks="", jwks_url="https://a.example/jwks")
    add_client(store.database, other)
    with store.database.reader() as connection:
        assert all_clients(connection) == [other, LAKESIDE]


def test_a_name_is_given_once(store: Store) -> None:
    add_client(store.database, LAKESIDE)
    with pytest.raises(Conflict):
        add_client(store.database, replace(LAKESIDE, reference=""))
    assert required_client(store.database, "lakeside") == LAKESIDE


def test_nobody_can_be_changed(store: Store) -> None:
    for attempt in (
        lambda: change_client(store.database, LAKESIDE),
        lambda: disable_client(store.database, "lakeside", 1),
        lambda: required_client(store.database, "lakeside"),
    ):
        with pytest.raises(NotFound):
            attempt()


def test_what_a_token_depends_on_is_one_look(store: Store) -> None:
    def look() -> tuple[bool, bool, bool] | None:
        with store.database.reader() as connection:
            found = standing_of(connection, "lakeside", "k", "j", NOW)
        if found is None:
            return None
        return found.client.disabled is not None, found.signed_by_ours, found.revoked

    assert look() is None
    add_client(store.database, LAKESIDE)
    assert look() == (False, False, False)
    rotate(store.database, lambda: ("k", "{}"), NOW, keep=60)
    revoke_token(store.database, "j", NOW + 60, NOW)
    disable_client(store.database, "lakeside", 1)
    assert look() == (True, True, True)


def test_an_assertion_is_used_by_one_of_many(store: Store, database_url: str) -> None:
    databases = [Database(database_url) for _ in range(8)]

    def use(database: Database) -> int:
        return sum(
            use_assertion(database, "lakeside", f"n{number}", NOW + 60, NOW) for number in range(10)
        )

    with ThreadPoolExecutor(8) as pool:
        assert sum(pool.map(use, databases)) == 10
    for database in databases:
        database.close()
    assert _count(store, "used_assertion") == 10


def test_what_has_expired_is_cleared_away_a_little_at_a_time(store: Store) -> None:
    many = CLEARED + 5
    with store.database.writer() as connection:
        connection.many(
            "INSERT INTO used_assertion (issuer, jti, expires) VALUES (?, ?, ?)",
            [("a", f"old{n}", NOW - 1) for n in range(many)],
        )
        connection.many(
            "INSERT INTO revoked_token (jti, expires) VALUES (?, ?)",
            [(f"old{n}", NOW - 1) for n in range(many)],
        )
    assert use_assertion(store.database, "a", "new", NOW + 1, NOW)
    assert _count(store, "used_assertion") == 5 + 1
    assert _count(store, "revoked_token") == 5
    revoke_token(store.database, "new", NOW + 1, NOW)
    assert (_count(store, "used_assertion"), _count(store, "revoked_token")) == (1, 1)
    assert not use_assertion(store.database, "a", "new", NOW + 1, NOW + 1)


def test_the_newest_key_signs_and_old_ones_verify_for_a_while(store: Store) -> None:
    made = iter("abcd")

    def make() -> tuple[str, str]:
        return next(made), "sealed"

    def known() -> tuple[str, str]:
        with store.database.reader() as connection:
            signing = signing_key(connection)
            verifying = [kid for kid in "abcd" if verifying_key(connection, kid, 0)]
        return signing.kid if signing else "", "".join(verifying)

    assert known() == ("", "")
    rotate(store.database, make, NOW, keep=60)
    assert rotate(store.database, make, NOW, older_than=NOW, keep=60).kid == "a"
    assert known() == ("a", "a")
    rotate(store.database, make, NOW + 10, keep=60)
    assert known() == ("b", "ab")
    rotate(store.database, make, NOW + 71, keep=60)
    assert known() == ("c", "bc")
    rotate(store.database, make, NOW + 72, keep=60, drop=True)
    assert known() == ("d", "d")
