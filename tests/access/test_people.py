"""Signing in: who fails waits, in all processes; links count once; disabled people are out."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import argon2
import pytest

from service.access import people as people_module
from service.access.people import Asked, People, made_link, network_of
from service.access.people_passphrases import is_outdated
from service.errors import Forbidden, HyoidError, NotAuthenticated, NotFound, Throttled
from service.store.people import change_person, disable_person, required_person, set_passphrase
from service.store.people_failures import EVERYWHERE, IN_BROWSER
from service.store.people_known import KNOWN
from service.store.store import Store
from tests.access.integrators import Clock
from tests.access.visitors import HASHED, PASSPHRASE, Recorded, added, people_at

HERE = Asked("127.0.0.1")
AWAY = Asked("192.0.2.7")
LONGEST = IN_BROWSER.longest


@pytest.fixture
def unhashed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where many passphrases are tried: without the time that a hash takes."""
    monkeypatch.setattr(people_module, "is_right", lambda passphrase, _: passphrase == PASSPHRASE)


def _fail(people: People, login: str, asked: Asked, times: int) -> None:
    for _ in range(times):
        with pytest.raises(NotAuthenticated):
            people.with_passphrase(login, "wrong passphrase", asked)


def test_who_signs_in_is_who_asks(store: Store, clock: Clock) -> None:
    recorded = Recorded()
    added(store.database, tied=frozenset({"CareTeam/north"}))
    people = people_at(store.database, clock, recorded)
    token = people.with_passphrase("robin", PASSPHRASE, AWAY).token
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
    _fail(people_at(store.database, clock), "robin", AWAY, 5)
    # Another process, and another address of the same network.
    other, near = people_at(store.database, clock), Asked("192.0.2.200")
    with pytest.raises(Throttled) as refused:
        other.with_passphrase("robin", PASSPHRASE, near)
    assert refused.value.headers["Retry-After"] == "30"
    clock.now += 30
    assert other.with_passphrase("robin", PASSPHRASE, near)
    # It starts anew.
    _fail(other, "robin", near, 4)
    assert other.with_passphrase("robin", PASSPHRASE, near)


def test_a_stranger_does_not_shut_others_out(store: Store, clock: Clock) -> None:
    """API2:2023: who fails as somebody waits himself."""
    added(store.database)
    people = people_at(store.database, clock)
    _fail(people, "robin", AWAY, 5)
    with pytest.raises(Throttled):
        people.with_passphrase("robin", PASSPHRASE, AWAY)
    assert people.with_passphrase("robin", PASSPHRASE, Asked("198.51.100.10"))


@pytest.mark.usefixtures("unhashed")
def test_a_browser_of_the_login_is_counted_by_itself(store: Store, clock: Clock) -> None:
    added(store.database)
    added(store.database, "sasha")
    people = people_at(store.database, clock)
    known = replace(AWAY, browser=people.with_passphrase("robin", PASSPHRASE, AWAY).browser)
    # From many networks.
    for number in range(50):
        _fail(people, "robin", Asked(f"10.{number}.0.1"), 1)
    for asked in (AWAY, Asked("10.200.0.1"), replace(AWAY, browser="invented")):
        with pytest.raises(Throttled):
            people.with_passphrase("robin", PASSPHRASE, asked)
    entered = people.with_passphrase("robin", PASSPHRASE, known)
    assert entered.browser == known.browser
    # It knows one login, until another has signed in there as well.
    with pytest.raises(Throttled):
        _fail(people, "sasha", known, 6)
    clock.now += 30
    assert people.with_passphrase("sasha", PASSPHRASE, known).browser == known.browser
    assert people.with_passphrase("robin", PASSPHRASE, known)
    # Nothing but its own failures make it wait, and in the end a stranger.
    _fail(people, "robin", known, 5)
    with pytest.raises(Throttled) as refused:
        people.with_passphrase("robin", PASSPHRASE, known)
    assert refused.value.headers["Retry-After"] == "30"
    for _ in range(5):
        clock.now += LONGEST
        _fail(people, "robin", known, 1)
    # Now it is a stranger to robin, though not to sasha.
    for number in range(5):
        clock.now += LONGEST if number == 0 else EVERYWHERE.longest
        _fail(people, "robin", known, 1)
    with pytest.raises(Throttled):
        people.with_passphrase("robin", PASSPHRASE, known)
    clock.now += EVERYWHERE.longest
    assert people.with_passphrase("robin", PASSPHRASE, known).browser == known.browser


@pytest.mark.parametrize("ends", ["disabled", "passphrase", "time"])
def test_a_browser_is_known_until(ends: str, store: Store, clock: Clock) -> None:
    added(store.database)
    people = people_at(store.database, clock)
    known = replace(AWAY, browser=people.with_passphrase("robin", PASSPHRASE, AWAY).browser)
    assert people.with_passphrase("robin", PASSPHRASE, known).browser == known.browser
    if ends == "disabled":
        disable_person(store.database, "robin", 1)
        disable_person(store.database, "robin", None)
    elif ends == "passphrase":
        set_passphrase(store.database, "robin", HASHED)
    else:
        clock.now += KNOWN
    _fail(people, "robin", AWAY, 5)
    with pytest.raises(Throttled):
        people.with_passphrase("robin", PASSPHRASE, known)
    clock.now += 30
    assert people.with_passphrase("robin", PASSPHRASE, known).browser != known.browser


def test_what_a_browser_shows_is_not_kept_as_it_is(store: Store, clock: Clock) -> None:
    added(store.database)
    people = people_at(store.database, clock)
    chosen = people.with_passphrase("robin", PASSPHRASE, replace(AWAY, browser="chosen"))
    assert chosen.browser != "chosen", "who plants a cookie would be known by it"
    assert len(chosen.browser) == 43
    with store.database.reader() as connection:
        rows = connection.rows("SELECT digest, login FROM sign_in_known")
    assert len(rows) == 2
    assert not {chosen.browser, "robin", "192.0.2.7"} & {each for row in rows for each in row}


@pytest.mark.usefixtures("unhashed")
def test_an_unknown_login_waits_like_any_other(store: Store, clock: Clock) -> None:
    added(store.database)
    told = []
    for login in ("nobody", "robin", "nul\x00", "x" * 5000):
        people, away = people_at(store.database, clock), Asked(f"10.0.{len(told)}.1", None, "shown")
        _fail(people, login, away, 5)
        with pytest.raises(Throttled) as refused:
            people.with_passphrase(login, PASSPHRASE, away)
        told.append((str(refused.value), refused.value.headers))
    assert all(each == told[0] for each in told)


@pytest.mark.usefixtures("unhashed")
def test_an_address_that_tries_many_logins_waits(store: Store, clock: Clock) -> None:
    added(store.database)
    people = people_at(store.database, clock)
    for number in range(20):
        _fail(people, f"guess{number}", AWAY, 1)
    with pytest.raises(Throttled):
        people.with_passphrase("robin", PASSPHRASE, AWAY)
    assert people.with_passphrase("robin", PASSPHRASE, HERE)


@pytest.mark.usefixtures("unhashed")
def test_others_behind_an_address_wait_a_minute_at_most(store: Store, clock: Clock) -> None:
    """Where somebody has signed in, there is a house full of people behind it."""
    added(store.database)
    people = people_at(store.database, clock)
    known = replace(AWAY, browser=people.with_passphrase("robin", PASSPHRASE, AWAY).browser)
    for number in range(40):
        clock.now += 60
        _fail(people, f"guess{number}", AWAY, 1)
    assert people.with_passphrase("robin", PASSPHRASE, known)
    with pytest.raises(Throttled):
        people.with_passphrase("robin", PASSPHRASE, AWAY)
    clock.now += 60
    assert people.with_passphrase("robin", PASSPHRASE, AWAY)


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


@pytest.mark.usefixtures("unhashed")
def test_nothing_locks_for_good(store: Store, clock: Clock) -> None:
    added(store.database)
    people = people_at(store.database, clock)
    for number in range(300):
        _fail(people, "robin", Asked(f"2001:db8:{number:x}::1"), 1)
        clock.now += EVERYWHERE.longest
    clock.now -= EVERYWHERE.longest
    with pytest.raises(Throttled) as refused:
        people.with_passphrase("robin", PASSPHRASE, AWAY)
    assert int(refused.value.headers["Retry-After"]) == EVERYWHERE.longest
    # The keeper may help at once.
    disable_person(store.database, "robin", None)
    assert people.with_passphrase("robin", PASSPHRASE, AWAY)


@pytest.mark.parametrize(
    ("address", "network"),
    [
        ("192.0.2.7", "192.0.2.0/24"),
        ("::ffff:192.0.2.7", "192.0.2.0/24"),
        ("2001:db8:1:2::7", "2001:db8:1::/48"),
        ("", ""),
        ("a socket", "a socket"),
    ],
)
def test_networks(address: str, network: str) -> None:
    assert network_of(address) == network


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
    token = people.with_passphrase("robin", PASSPHRASE, HERE).token
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
    token = people.with_passphrase("robin", PASSPHRASE, HERE).token
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
    assert len(rows) == 3
    assert PASSPHRASE not in repr((rows, recorded))
    assert recorded.told() == [("login", 401, "unknown")]


def test_a_change_counts_within_a_second_and_ends_what_was_given(
    store: Store, clock: Clock
) -> None:
    robin = added(store.database)
    people = people_at(store.database, clock)
    token = people.with_passphrase("robin", PASSPHRASE, AWAY).token
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
        token = people.with_passphrase("robin", PASSPHRASE, AWAY).token
        link = made_link(store.database, "robin", int(clock.now))
        found = people.sessions.signed_in(token)
        assert found is not None
        assert (found.caller.tied, found.caller.reference) == (changed.tied, changed.reference)
    with pytest.raises(NotFound):
        change_person(store.database, replace(robin, login="nobody"))
