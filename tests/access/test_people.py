"""Signing in: who fails waits, in all processes; links count once; disabled people are out."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import argon2
import pytest

from service.access import people as people_module
from service.access.people import Asked, made_link
from service.access.people_passphrases import is_outdated
from service.errors import Forbidden, HyoidError, NotAuthenticated, NotFound, Throttled
from service.store.people import change_person, disable_person, required_person, set_passphrase
from service.store.people_failures import LONGEST_WAIT, MOST, waiting
from service.store.store import Store
from tests.access.integrators import Clock
from tests.access.visitors import HASHED, PASSPHRASE, Recorded, added, people_at

HERE = Asked("127.0.0.1")
AWAY = Asked("192.0.2.7")


def test_who_signs_in_is_who_asks(store: Store, clock: Clock) -> None:
    recorded = Recorded()
    added(store.database, tied=frozenset({"CareTeam/north"}))
    people = people_at(store.database, clock, recorded)
    token = people.with_passphrase("robin", PASSPHRASE, AWAY)
    found = people_at(store.database, clock).sessions.signed_in(token)
    assert found is not None
    caller = found.caller
    assert (caller.name, caller.kind, caller.reference) == ("robin", "person", "Practitioner/robin")
    assert caller.tied == {"CareTeam/north"}
    assert "user/Patient.crus" in caller.scopes
    assert caller.token
    assert caller.token not in token
    assert recorded.told() == [("login", 200, "robin")]
    people.sign_out(Asked("192.0.2.7", token))
    assert recorded.told()[1:] == [("logout", 200, "robin")]
    assert people.sessions.signed_in(token) is None


def test_wrong_unknown_and_disabled_are_refused_in_the_same_words(
    store: Store, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """And each costs the verification of one hash."""
    verified: list[str] = []

    def counted(passphrase: str, encoded: str) -> bool:
        verified.append(encoded)
        return bool(encoded) and passphrase == PASSPHRASE

    monkeypatch.setattr(people_module, "is_right", counted)
    added(store.database)
    added(store.database, "sasha", disabled=1)
    added(store.database, "linked", passphrase="")
    people = people_at(store.database, clock)
    told = set()
    for login, passphrase in [
        ("robin", "wrong passphrase"),
        ("nobody", PASSPHRASE),
        ("sasha", PASSPHRASE),
        ("linked", ""),
        ("x" * 5000, PASSPHRASE),
        ("a\x00b", PASSPHRASE),
        ("", ""),
    ]:
        with pytest.raises(NotAuthenticated) as refused:
            people.with_passphrase(login, passphrase, AWAY)
        told.add(str(refused.value))
    assert len(told) == 1
    assert verified == [HASHED, "", HASHED, "", "", "", ""]


def test_failures_make_wait_and_the_right_passphrase_too(store: Store, clock: Clock) -> None:
    added(store.database)
    people = people_at(store.database, clock)
    for _ in range(5):
        with pytest.raises(NotAuthenticated):
            people.with_passphrase("robin", "wrong passphrase", AWAY)
    # Another process, from elsewhere: it is the login that waits.
    other = people_at(store.database, clock)
    with pytest.raises(Throttled) as refused:
        other.with_passphrase("robin", PASSPHRASE, HERE)
    assert refused.value.headers["Retry-After"] == "30"
    clock.now += 30
    assert other.with_passphrase("robin", PASSPHRASE, HERE)
    # It starts anew.
    with pytest.raises(NotAuthenticated):
        people.with_passphrase("robin", "wrong passphrase", HERE)


def test_waits_grow_and_end_somewhere() -> None:
    assert [waiting(number, 5) for number in (1, 4, 5, 6, 7)] == [0, 0, 30, 60, 120]
    assert {waiting(number, 5) for number in (10, 99, 10_000)} == {LONGEST_WAIT}


def test_an_unknown_login_waits_like_any_other(store: Store, clock: Clock) -> None:
    people = people_at(store.database, clock)
    for _ in range(5):
        with pytest.raises(NotAuthenticated):
            people.with_passphrase("nobody", PASSPHRASE, AWAY)
    with pytest.raises(Throttled):
        people.with_passphrase("nobody", PASSPHRASE, AWAY)


def test_an_address_that_tries_many_logins_waits(store: Store, clock: Clock) -> None:
    added(store.database)
    people = people_at(store.database, clock)
    for number in range(20):
        with pytest.raises(NotAuthenticated):
            people.with_passphrase(f"guess{number}", "wrong passphrase", AWAY)
    with pytest.raises(Throttled):
        people.with_passphrase("robin", PASSPHRASE, AWAY)
    assert people.with_passphrase("robin", PASSPHRASE, HERE)


def test_many_guesses_at_once_are_no_way_around(store: Store, clock: Clock) -> None:
    added(store.database)

    def guess(number: int) -> type[HyoidError]:
        people = people_at(store.database, clock)
        try:
            people.with_passphrase(
                "robin", f"wrong passphrase {number}", Asked(f"192.0.2.{number}")
            )
        except HyoidError as error:
            return type(error)
        raise AssertionError("let in")

    with ThreadPoolExecutor(12) as pool:
        told = list(pool.map(guess, range(24)))
    assert told.count(NotAuthenticated) == 5
    assert told.count(Throttled) == 19


def test_a_hundred_failures_end_it_until_the_keeper_says_otherwise(
    store: Store, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """NIST SP 800-63B: no more than 100 failed attempts in a row."""
    monkeypatch.setattr(people_module, "is_right", lambda passphrase, _: passphrase == PASSPHRASE)
    added(store.database)
    people = people_at(store.database, clock)
    for number in range(MOST):
        with pytest.raises(NotAuthenticated):
            people.with_passphrase("robin", "wrong passphrase", Asked(f"2001:db8:{number:x}::1"))
        clock.now += LONGEST_WAIT
    clock.now += 400 * 86400
    with pytest.raises(Throttled):
        people.with_passphrase("robin", PASSPHRASE, AWAY)
    disable_person(store.database, "robin", None)
    assert people.with_passphrase("robin", PASSPHRASE, AWAY)


def test_old_parameters_are_replaced_when_somebody_signs_in(store: Store, clock: Clock) -> None:
    weak = argon2.PasswordHasher(time_cost=1, memory_cost=8, parallelism=1).hash(PASSPHRASE)
    added(store.database, passphrase=weak)
    people_at(store.database, clock).with_passphrase("robin", PASSPHRASE, HERE)
    now = required_person(store.database, "robin").passphrase
    assert is_outdated(weak)
    assert not is_outdated(now)
    assert people_at(store.database, clock).with_passphrase("robin", PASSPHRASE, HERE)


def test_a_link_counts_once_on_this_machine_for_some_minutes(store: Store, clock: Clock) -> None:
    added(store.database, passphrase="")
    people = people_at(store.database, clock)
    link = made_link(store.database, "robin", int(clock.now))
    with pytest.raises(Forbidden):
        people.with_link(link, AWAY)
    assert people.linked(link, AWAY) is None
    assert people.linked(link, HERE) == people.linked(link, Asked("::1")) == "robin"
    assert people.sessions.signed_in(people.with_link(link, HERE))
    assert people.linked(link, HERE) is None
    for gone in (link, "", "x", link.upper()):
        with pytest.raises(NotAuthenticated):
            people.with_link(gone, HERE)
    late = made_link(store.database, "robin", int(clock.now))
    clock.now += 300
    with pytest.raises(NotAuthenticated):
        people.with_link(late, HERE)


def test_of_many_who_use_a_link_at_once_one_is_let_in(store: Store, clock: Clock) -> None:
    added(store.database)
    link = made_link(store.database, "robin", int(clock.now))

    def use(_: int) -> bool:
        try:
            return bool(people_at(store.database, clock).with_link(link, HERE))
        except NotAuthenticated:
            return False

    with ThreadPoolExecutor(8) as pool:
        assert sum(pool.map(use, range(16))) == 1


def test_a_disabled_person_is_out_within_a_second(store: Store, clock: Clock) -> None:
    added(store.database)
    people, other = people_at(store.database, clock), people_at(store.database, clock)
    token = people.with_passphrase("robin", PASSPHRASE, HERE)
    link = made_link(store.database, "robin", int(clock.now))
    assert other.sessions.signed_in(token)
    disable_person(store.database, "robin", 1)
    clock.now += 1
    assert other.sessions.signed_in(token) is None
    with pytest.raises(NotAuthenticated):
        people.with_passphrase("robin", PASSPHRASE, HERE)
    disable_person(store.database, "robin", None)
    with pytest.raises(NotAuthenticated):
        people.with_link(link, HERE)
    clock.now += 1
    assert other.sessions.signed_in(token) is None


def test_another_passphrase_signs_out_everywhere(store: Store, clock: Clock) -> None:
    added(store.database)
    people = people_at(store.database, clock)
    token = people.with_passphrase("robin", PASSPHRASE, HERE)
    set_passphrase(store.database, "robin", HASHED)
    clock.now += 1
    assert people.sessions.signed_in(token) is None


def test_what_somebody_typed_is_not_kept(store: Store, clock: Clock) -> None:
    """People type passphrases where the login belongs."""
    people = people_at(store.database, clock, recorded := Recorded())
    with pytest.raises(NotAuthenticated):
        people.with_passphrase(PASSPHRASE, "", AWAY)
    with store.database.reader() as connection:
        rows = connection.rows("SELECT digest FROM sign_in_failure")
    assert len(rows) == 2
    assert PASSPHRASE not in repr((rows, recorded))
    assert recorded.told() == [("login", 401, "unknown")]


def test_a_change_counts_within_a_second_and_ends_what_was_given(
    store: Store, clock: Clock
) -> None:
    robin = added(store.database)
    people = people_at(store.database, clock)
    token = people.with_passphrase("robin", PASSPHRASE, AWAY)
    link = made_link(store.database, "robin", int(clock.now))
    change_person(store.database, replace(robin, name="Robin A."))
    clock.now += 1
    found = people.sessions.signed_in(token)
    assert found is not None, "another name ends nothing"
    assert found.person.name == "Robin A."
    assert people.linked(link, HERE) == "robin"
    for changed in (
        replace(robin, tied=frozenset({"CareTeam/north"})),
        replace(robin, role="reader"),
        replace(robin, reference="Practitioner/other"),
    ):
        change_person(store.database, changed)
        clock.now += 1
        assert people.sessions.signed_in(token) is None
        assert people.linked(link, HERE) is None
        token = people.with_passphrase("robin", PASSPHRASE, AWAY)
        link = made_link(store.database, "robin", int(clock.now))
        found = people.sessions.signed_in(token)
        assert found is not None
        assert (found.caller.tied, found.caller.reference) == (changed.tied, changed.reference)
    with pytest.raises(NotFound):
        change_person(store.database, replace(robin, login="nobody"))
