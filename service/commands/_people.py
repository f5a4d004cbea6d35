"""What do the commands about people share? Logins, roles, and passphrases that are asked for."""

from __future__ import annotations

import getpass
import re
import sys
from typing import TYPE_CHECKING, Annotated

import typer

from service.commands._telling import MISUSED, RefusedError, complain

if TYPE_CHECKING:
    from service.store.people import Person
    from service.store.store import Store

_LOGIN = re.compile(r"[A-Za-z0-9][A-Za-z0-9._@-]{0,63}")
_PRACTITIONER = re.compile(r"Practitioner(?:Role)?/[A-Za-z0-9.\-]{1,64}")

LoginArgument = Annotated[str, typer.Argument(metavar="LOGIN", help="What the person signs in as.")]


def required_login(login: str) -> str:
    """A login of this service. Raises RefusedError."""
    if not _LOGIN.fullmatch(login):
        raise RefusedError(
            "LOGIN has letters, digits, '.', '_', '@' and '-', at most 64, the first no sign",
            MISUSED,
        )
    return login


def required_role(role: str) -> str:
    """A role of mappings/access/roles.json. Raises RefusedError."""
    from service.access.people_roles import roles

    try:
        known = roles()
    except ValueError as error:
        raise RefusedError(str(error)) from None
    if role not in known:
        raise RefusedError(f"--role: there is no {role!r}; there are {', '.join(known)}", MISUSED)
    return role


def required_practitioner(given: str) -> str:
    """Whom somebody acts as. Raises RefusedError."""
    if not _PRACTITIONER.fullmatch(given):
        raise RefusedError(f"--practitioner: {given!r} is no Practitioner/…", MISUSED)
    return given


def tell_person(person: Person) -> str:
    """Who somebody is, in one line."""
    sees = ", ".join(sorted(person.tied or ())) or "all"
    return f"{person.login}: {person.role}, acts as {person.reference}, sees {sees}"


def tell_unknown(store: Store, reference: str) -> None:
    """Complain where there is no such Practitioner yet."""
    from service.caller import Caller
    from service.errors import Gone, NotFound

    kind, _, key = reference.partition("/")
    try:
        store.read(Caller("command line", frozenset({"system/*.r"})), kind, key)
    except (NotFound, Gone):
        complain(f"hyoid: there is no {reference} in the store yet")


def asked_passphrase(login: str, name: str = "") -> str:
    """The hash of a passphrase that was typed twice. Raises RefusedError.

    On a terminal it is not shown; else it is the first two lines of standard input. It is never an
    argument, which others see and shells keep.
    """
    from service.access.people_passphrases import hashed, required_passphrase

    first = _asked(f"Passphrase of {login}: ")
    try:
        required_passphrase(first, login, name)
    except ValueError as error:
        raise RefusedError(str(error)) from None
    if _asked("The same again: ") != first:
        raise RefusedError("The two are not the same")
    return hashed(first)


def _asked(prompt: str) -> str:
    try:
        if sys.stdin.isatty():
            return getpass.getpass(prompt)
        return sys.stdin.readline().rstrip("\r\n")
    except (EOFError, KeyboardInterrupt, UnicodeError):
        raise RefusedError("No passphrase was given") from None
