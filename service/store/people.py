"""Who may sign in, as what, and whose clients do they see?

One row a person. What they may do is looked at again for every request, so that a change or a
disabling counts at once.
"""

from __future__ import annotations

from dataclasses import dataclass

from service.errors import Conflict, NotFound
from service.store.audit.commanded import put_on_record
from service.store.connection import Connection, Row
from service.store.engine import Database
from service.store.people_failures import forget_browsers, forgive
from service.store.unit import take_turn

_COLUMNS = "login, role, reference, tied, name, passphrase, created, disabled"
_ONE = f"SELECT {_COLUMNS} FROM person WHERE login = ?"
_ALL = f"SELECT {_COLUMNS} FROM person ORDER BY login"
_ADD = (
    f"INSERT INTO person ({_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?)"
    " ON CONFLICT (login) DO NOTHING RETURNING login"
)
_KNOW = (
    f"INSERT INTO person ({_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?)"
    " ON CONFLICT (login) DO UPDATE SET role = excluded.role, reference = excluded.reference,"
    f" tied = excluded.tied, name = excluded.name RETURNING {_COLUMNS}"
)
_CHANGE = "UPDATE person SET role = ?, reference = ?, tied = ?, name = ? WHERE login = ?"
_DISABLE = "UPDATE person SET disabled = ? WHERE login = ? RETURNING login"
_PASSPHRASE = "UPDATE person SET passphrase = ? WHERE login = ? RETURNING login"
_REHASH = "UPDATE person SET passphrase = ? WHERE login = ? AND passphrase = ?"
_END = "DELETE FROM person_session WHERE login = ?"
_VOID = "DELETE FROM sign_in_link WHERE login = ?"
_PRACTITIONER = (
    "SELECT r.id FROM index_token t JOIN resource r ON r.rid = t.rid"
    " WHERE t.param = ? AND t.code = ? AND t.system = ?"
)
_OF_THE_HOUSE = " AND NOT EXISTS (SELECT 1 FROM keeper k WHERE k.rid = r.rid)"
_TWO = " LIMIT 2"


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody who may sign in; times in microseconds since 1970, `disabled` None while they may.

    `reference` is the Practitioner they act as. `tied` is None where no organisation or team
    narrows what they see. `passphrase` is an encoded hash; empty: they sign in another way.
    """

    login: str
    role: str
    reference: str = ""
    tied: frozenset[str] | None = None
    name: str = ""
    passphrase: str = ""
    created: int = 0
    disabled: int | None = None


def found_person(connection: Connection, login: str) -> Person | None:
    """The person of this login, disabled or not."""
    row = connection.row(_ONE, (login,))
    return person_of(row) if row else None


def all_people(connection: Connection) -> list[Person]:
    """Everybody, by login."""
    return [person_of(row) for row in connection.rows(_ALL)]


def required_person(database: Database, login: str) -> Person:
    """The person of this login. Raises NotFound."""
    with database.reader() as connection:
        person = found_person(connection, login)
    if person is None:
        raise _unknown(login)
    return person


def add_person(database: Database, person: Person) -> None:
    """Let somebody sign in. Raises Conflict where the login is taken."""
    with database.writer() as connection:
        take_turn(connection)
        if connection.row(_ADD, _row(person)) is None:
            raise Conflict(f"There is a person with the login {person.login!r} already")
        put_on_record(connection)


def change_person(database: Database, person: Person) -> None:
    """Store role, Practitioner, ties and name. Raises NotFound where there is no such login.

    Where more than the name is another, sessions and links end: they were given to who might do
    something else.
    """
    with database.writer() as connection:
        take_turn(connection)
        present = found_person(connection, person.login)
        if present is None:
            raise _unknown(person.login)
        row = _row(person)
        connection.run(_CHANGE, (*row[1:5], row[0]))
        if _said(present)[:3] != _said(person)[:3]:
            _end(connection, person.login)
        put_on_record(connection)


def know_person(database: Database, person: Person) -> Person:
    """Keep what the identity provider says now of somebody; as they stand here, perhaps disabled.

    Nothing is written where nothing is new.
    """
    with database.reader() as connection:
        present = found_person(connection, person.login)
    if present is not None and _said(present) == _said(person):
        return present
    with database.writer() as connection:
        take_turn(connection)
        row = connection.row(_KNOW, _row(person))
    assert row is not None
    return person_of(row)


def disable_person(database: Database, login: str, now: int | None) -> None:
    """Let somebody in no more (`now` in microseconds), or again (None). Raises NotFound.

    Sessions and links end with it, and no browser is known any more; failures are forgiven to who
    is let in again.
    """
    with database.writer() as connection:
        take_turn(connection)
        if connection.row(_DISABLE, (now, login)) is None:
            raise _unknown(login)
        _end(connection, login)
        if now is None:
            forgive(connection, login)
        else:
            forget_browsers(connection, login)
        put_on_record(connection)


def set_passphrase(database: Database, login: str, encoded: str) -> None:
    """Another passphrase; sessions and links end, no browser is known, failures are forgiven.

    Raises NotFound.
    """
    with database.writer() as connection:
        take_turn(connection)
        if connection.row(_PASSPHRASE, (encoded, login)) is None:
            raise _unknown(login)
        _end(connection, login)
        forget_browsers(connection, login)
        forgive(connection, login)
        put_on_record(connection)


def keep_rehashed(database: Database, login: str, before: str, after: str) -> None:
    """The same passphrase with new parameters, unless it was changed meanwhile."""
    with database.writer() as connection:
        take_turn(connection)
        connection.run(_REHASH, (after, login, before))


def practitioners_with(connection: Connection, param: int, system: str, value: str) -> list[str]:
    """Ids of Practitioners with this identifier, at most two; `param` indexes identifiers.

    Those that a caller who sees some clients only has made (`keepers.py`) count where there are no
    others: nobody is kept out by a second one with the same number.
    """
    asked = (param, value, system)
    found = connection.rows(_PRACTITIONER + _OF_THE_HOUSE + _TWO, asked)
    found = found or connection.rows(_PRACTITIONER + _TWO, asked)
    return [row[0] for row in found]


def person_of(row: Row) -> Person:
    """A person from the columns of the table."""
    login, role, reference, tied, name, passphrase, created, disabled = row
    ties = frozenset(tied.split()) or None
    return Person(login, role, reference, ties, name, passphrase, created, disabled)


def _end(connection: Connection, login: str) -> None:
    connection.run(_END, (login,))
    connection.run(_VOID, (login,))


def _said(person: Person) -> tuple[object, ...]:
    return (person.role, person.reference, person.tied, person.name)


def _row(person: Person) -> Row:
    return (
        person.login,
        person.role,
        person.reference,
        " ".join(sorted(person.tied or ())),
        person.name,
        person.passphrase,
        person.created,
        person.disabled,
    )


def _unknown(login: str) -> NotFound:
    return NotFound(f"There is no person with the login {login!r}")
