"""hyoid person: people are added, listed, disabled; what is refused; no passphrase is told."""

from __future__ import annotations

import json
import subprocess
from dataclasses import replace
from pathlib import Path

import argon2
import pytest

from service.store.engine import Database
from service.store.people import Person, required_person
from tests.live import hyoid_here

PASSPHRASE = "quiet river stones"
TWICE = f"{PASSPHRASE}\n{PASSPHRASE}\n"
WHO = ("--role", "therapist", "--practitioner", "Practitioner/robin")


def _person(*arguments: str, url: str, stdin: str = "") -> subprocess.CompletedProcess[str]:
    return hyoid_here("person", *arguments, "--database", url, stdin=stdin)


def _stored(url: str, login: str = "robin") -> Person:
    database = Database(url)
    try:
        return required_person(database, login)
    finally:
        database.close()


def test_somebody_is_added(sqlite_url: str) -> None:
    done = _person("add", "robin", *WHO, "--tied", "CareTeam/n", url=sqlite_url, stdin=TWICE)
    assert done.returncode == 0, done.stderr
    assert PASSPHRASE not in done.stdout + done.stderr
    assert "no Practitioner/robin in the store yet" in done.stderr
    person = _stored(sqlite_url)
    assert argon2.PasswordHasher().verify(person.passphrase, PASSPHRASE)
    assert (person.role, person.reference, person.tied) == (
        "therapist",
        "Practitioner/robin",
        {"CareTeam/n"},
    )
    listed = _person("list", url=sqlite_url).stdout
    assert "robin" in listed
    assert "argon2" not in listed
    again = _person("add", "robin", *WHO, url=sqlite_url, stdin=TWICE)
    assert again.returncode == 1
    assert "already" in again.stderr


@pytest.mark.parametrize(
    ("arguments", "stdin", "told"),
    [
        (("ro bin", *WHO), TWICE, "LOGIN"),
        (("openid:x", *WHO), TWICE, "LOGIN"),
        (("robin", "--role", "king", *WHO[2:]), TWICE, "therapist"),
        (("robin", *WHO[:2], "--practitioner", "Patient/1"), TWICE, "Practitioner"),
        (("robin", *WHO, "--tied", "Patient/1"), TWICE, "--tied"),
        (("robin", *WHO), "short\nshort\n", "15 to 500"),
        (("robin", *WHO), f"{PASSPHRASE}\n{PASSPHRASE}.\n", "not the same"),
        (("robin", *WHO), "", "15 to 500"),
        (("robinrobin", *WHO), "robinrobinrobin\n" * 2, "login"),
    ],
)
def test_what_is_refused(
    arguments: tuple[str, ...], stdin: str, told: str, sqlite_url: str
) -> None:
    done = _person("add", *arguments, url=sqlite_url, stdin=stdin)
    assert done.returncode in (1, 2)
    assert told in done.stderr
    assert "Traceback" not in done.stderr
    assert _person("list", url=sqlite_url).stdout.startswith("Nobody") or not done.stdout


def test_disabled_enabled_and_given_another_passphrase(sqlite_url: str) -> None:
    _person("add", "robin", *WHO, "--without-passphrase", url=sqlite_url)
    assert _stored(sqlite_url).passphrase == ""
    assert _person("disable", "robin", url=sqlite_url).returncode == 0
    assert _stored(sqlite_url).disabled is not None
    assert "disabled" in _person("list", url=sqlite_url).stdout
    assert _person("link", "robin", url=sqlite_url).returncode == 1
    assert _person("enable", "robin", url=sqlite_url).returncode == 0
    assert _stored(sqlite_url).disabled is None
    assert _person("passphrase", "robin", url=sqlite_url, stdin=TWICE).returncode == 0
    assert argon2.PasswordHasher().verify(_stored(sqlite_url).passphrase, PASSPHRASE)


def test_somebody_is_changed(sqlite_url: str) -> None:
    _person("add", "robin", *WHO, "--name", "Robin", url=sqlite_url, stdin=TWICE)
    before = _stored(sqlite_url)
    done = _person("change", "robin", "--tied", "CareTeam/n", url=sqlite_url)
    assert "sees CareTeam/n" in done.stdout
    assert _stored(sqlite_url) == replace(before, tied=frozenset({"CareTeam/n"}))
    options = ("--role", "reader", "--practitioner", "Practitioner/r2", "--untied", "--name", "R.")
    done = _person("change", "robin", *options, url=sqlite_url)
    assert "no Practitioner/r2 in the store yet" in done.stderr
    changed = replace(before, role="reader", reference="Practitioner/r2", name="R.")
    assert _stored(sqlite_url) == changed
    for wrong, told in (
        ((), "What is to be changed"),
        (("--role", "king"), "therapist"),
        (("--practitioner", "Patient/1"), "Practitioner"),
        (("--tied", "Patient/1"), "--tied"),
        (("--tied", "CareTeam/n", "--untied"), "Either"),
    ):
        done = _person("change", "robin", *wrong, url=sqlite_url)
        assert done.returncode == 2, wrong
        assert told in done.stderr
    assert _person("change", "openid:x", "--name", "x", url=sqlite_url).returncode == 2
    assert _stored(sqlite_url) == changed


def test_what_the_keeper_changes_is_on_record(sqlite_url: str, tmp_path: Path) -> None:
    """Each command once, none that was refused, and no secret with it."""
    commands = [
        ("person", "add", "robin", *WHO),
        ("person", "change", "robin", "--name", "R."),
        ("person", "link", "robin"),
        ("person", "disable", "robin"),
        ("person", "enable", "robin"),
        ("person", "passphrase", "robin"),
        ("client", "add", "lab", "--scope", "system/*.rs", "--generate-key", f"{tmp_path}/1"),
        ("client", "change", "lab", "--scope", "system/*.r"),
        ("client", "rotate", "lab", "--generate-key", f"{tmp_path}/2"),
        ("client", "disable", "lab"),
        ("client", "enable", "lab"),
        ("keys", "rotate"),
        ("keys", "rotate", "--drop-old"),
        ("keys", "secret"),
    ]
    for command in (*commands, ("person", "change", "nobody", "--name", "x")):
        done = hyoid_here(*command, "--database", sqlite_url, stdin=TWICE)
        assert done.returncode == (1 if "nobody" in command else 0), done.stderr
    hyoid_here("person", "list", "--database", sqlite_url)
    database = Database(sqlite_url)
    with database.reader() as connection:
        rows = connection.rows("SELECT body FROM audit_event ORDER BY n")
    database.close()
    told = [json.loads(row[0]) for row in rows]
    assert {(each["interaction"], each["agent"]) for each in told} == {("command", "command line")}
    named = 3
    wanted = [command if command[0] == "keys" else command[:named] for command in commands]
    assert [each["query"] for each in told] == [f"hyoid {' '.join(each)}" for each in wanted]
    assert PASSPHRASE not in str(told)


@pytest.mark.parametrize("command", ["disable", "enable", "passphrase", "link"])
def test_of_somebody_who_is_not_there(command: str, sqlite_url: str) -> None:
    _person("add", "robin", *WHO, "--without-passphrase", url=sqlite_url)
    done = _person(command, "nobody", url=sqlite_url, stdin=TWICE)
    assert done.returncode == 1
    assert "nobody" in done.stderr


def test_a_link(sqlite_url: str) -> None:
    _person("add", "robin", *WHO, "--without-passphrase", url=sqlite_url)
    done = _person("link", "robin", "--port", "8123", url=sqlite_url)
    first = done.stdout.splitlines()[0]
    assert first.startswith("http://127.0.0.1:8123/access/sign-in?link=")
    assert first != _person("link", "robin", "--port", "8123", url=sqlite_url).stdout.split("\n")[0]
