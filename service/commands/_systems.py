"""What do the commands about systems share? Keys that are given or made, and lines that tell.

A private key is written to a file that only its owner can read, and never told.
"""

from __future__ import annotations

import json
import os
import re
import time
from collections.abc import Iterator
from contextlib import contextmanager
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from service.commands._telling import MISUSED, RefusedError, say
from service.settings import Settings
from service.store.systems import SystemClient

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")
_TIE = re.compile(r"(?:Organization|CareTeam|Practitioner)/[A-Za-z0-9.\-]{1,64}")
_REFERENCE = re.compile(r"(?:Device|Organization|Practitioner(?:Role)?)/[A-Za-z0-9.\-]{1,64}")


class Algorithm(StrEnum):
    """The kind of key pair to make."""

    es384 = "ES384"
    rs384 = "RS384"


NameArgument = Annotated[str, typer.Argument(metavar="NAME", help="Client id of the system.")]
ScopeOption = Annotated[
    list[str] | None,
    typer.Option("--scope", help="What it may do, for instance system/Observation.rs; repeatable."),
]
TiedOption = Annotated[
    list[str] | None,
    typer.Option(
        "--tied",
        metavar="REFERENCE",
        help="It sees only clients of this Organization/…, CareTeam/… or Practitioner/…;"
        " repeatable.",
    ),
]
ReferenceOption = Annotated[
    str | None, typer.Option("--reference", help="What it acts as in the record: Device/….")
]
JwksOption = Annotated[
    str | None,
    typer.Option(
        "--jwks",
        metavar="FILE|URL",
        help="Its public keys as a JWK Set: a file (- is stdin), or the https URL where they are.",
    ),
]
GenerateOption = Annotated[
    Path | None,
    typer.Option(
        "--generate-key",
        metavar="FILE",
        help="Make a key pair: the private key goes into this new file, for the system.",
    ),
]
AlgorithmOption = Annotated[
    Algorithm, typer.Option("--algorithm", help="Kind of the key pair to make.")
]


def microseconds() -> int:
    """Now, as the store counts."""
    return time.time_ns() // 1000


def required_name(name: str) -> str:
    """A client id. Raises RefusedError."""
    if not _NAME.fullmatch(name):
        raise RefusedError(
            "NAME has letters, digits, '.', '_' and '-', at most 64, the first no sign", MISUSED
        )
    return name


def required_scopes(given: list[str] | None) -> frozenset[str]:
    """Scopes of systems; several may stand in one text. Raises RefusedError."""
    from service.access.narrowing import MOST_SCOPES
    from service.access.scopes import parse_scope

    texts = [text for each in given or () for text in each.split()]
    if not texts:
        raise RefusedError("--scope is needed: what may it do? system/*.rs reads all", MISUSED)
    found = set()
    for text in texts:
        try:
            scope = parse_scope(text)
        except ValueError as error:
            raise RefusedError(f"--scope: {error}", MISUSED) from None
        if scope.level != "system":
            raise RefusedError(f"--scope: {text!r} is not for systems: system/…", MISUSED)
        found.add(str(scope))
    if len(found) > MOST_SCOPES:
        raise RefusedError(f"--scope: at most {MOST_SCOPES} are taken; * is all types", MISUSED)
    return frozenset(found)


def required_ties(given: list[str] | None) -> frozenset[str] | None:
    """What narrows the clients that are seen. Raises RefusedError."""
    for text in given or ():
        if not _TIE.fullmatch(text):
            raise RefusedError(
                f"--tied: {text!r} is no Organization/…, CareTeam/… or Practitioner/…", MISUSED
            )
    return frozenset(given or ()) or None


def required_reference(given: str | None) -> str:
    """What the system acts as. Raises RefusedError."""
    if given and not _REFERENCE.fullmatch(given):
        raise RefusedError(f"--reference: {given!r} is no reference like Device/clinic", MISUSED)
    return given or ""


@contextmanager
def given_keys(
    jwks: str | None, generate: Path | None, algorithm: Algorithm
) -> Iterator[tuple[str, str]]:
    """The key set of a system and its URL, one of them empty.

    A private key that was made is removed again if the block does not end well.
    """
    if (jwks is None) == (generate is None):
        raise RefusedError("Either --jwks or --generate-key is needed", MISUSED)
    if generate is None:
        assert jwks is not None
        yield _registered(jwks)
        return
    key_set = _made(generate, algorithm)
    try:
        yield key_set, ""
    except BaseException:
        generate.unlink(missing_ok=True)
        raise


def _registered(jwks: str) -> tuple[str, str]:
    from service.access.client_keys import required_key_set
    from service.access.fetching import required_url

    try:
        if "://" in jwks:
            required_url(jwks)
            return "", jwks
        text = typer.get_binary_stream("stdin").read() if jwks == "-" else Path(jwks).read_bytes()
        return required_key_set(text), ""
    except OSError as error:
        raise RefusedError(f"{jwks}: {error.strerror}") from None
    except ValueError as error:
        raise RefusedError(f"--jwks: {error}") from None


def _made(path: Path, algorithm: Algorithm) -> str:
    """Write a new private key; the key set of its public half."""
    from joserfc.jwk import ECKey, KeyParameters, RSAKey

    facts: KeyParameters = {"use": "sig", "alg": algorithm.value}
    key = (
        ECKey.generate_key("P-384", facts, auto_kid=True)
        if algorithm is Algorithm.es384
        else RSAKey.generate_key(3072, facts, auto_kid=True)
    )
    try:
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError:
        raise RefusedError(f"{path} is there already: a key is never written over") from None
    except OSError as error:
        raise RefusedError(f"Cannot write {path}: {error.strerror}") from None
    with os.fdopen(descriptor, "w", encoding="ascii") as stream:
        json.dump(key.as_dict(private=True), stream, indent=1)
        stream.write("\n")
        stream.flush()
        os.fsync(stream.fileno())
    return json.dumps({"keys": [key.as_dict(private=False)]}, separators=(",", ":"))


def tell_client(client: SystemClient, settings: Settings, generated: Path | None = None) -> None:
    """What the developer of the system has to know."""
    say(f"  client id       {client.id}")
    if settings.base_url:
        say(f"  FHIR base URL   {settings.fhir_base()}")
    say(f"  scopes          {' '.join(sorted(client.scopes))}")
    say(f"  sees            {', '.join(sorted(client.tied or ())) or 'every client'}")
    if client.jwks_url:
        say(f"  keys from       {client.jwks_url}")
    if generated:
        say(f"  private key     {generated} (for the system alone; there is no other copy)")
