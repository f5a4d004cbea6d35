"""Systems as tests need them: a key pair, a registration, assertions right and wrong."""

from __future__ import annotations

import atexit
import json
import uuid
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from joserfc import jwt
from joserfc.jwk import ECKey, Key, RSAKey

from service.access.authentication import ASSERTION_TYPE
from service.access.opening import Access, opened_access
from service.settings import Settings
from service.store.engine import Database
from service.store.systems import SystemClient, add_client

BASE = "https://records.example/fhir"
TOKEN = "https://records.example/access/token"
_FOLDER = TemporaryDirectory()
atexit.register(_FOLDER.cleanup)
KEY_FILE = str(Path(_FOLDER.name, "key"))
"""The secret of stores on PostgreSQL, of this process and of services that it starts."""
SETTINGS = Settings(base_url=BASE, key_file=KEY_FILE)


def ec_key(kid: str = "one") -> ECKey:
    return ECKey.generate_key("P-384", {"kid": kid})


def key_set(*keys: Key) -> str:
    return json.dumps({"keys": [key.as_dict(private=False) for key in keys]})


@dataclass
class Integrator:
    """A system with its private key."""

    name: str = "lakeside"
    key: ECKey | RSAKey = field(default_factory=ec_key)
    alg: str = "ES384"

    def registered(
        self,
        database: Database,
        scopes: str = "system/*.cruds",
        *,
        tied: str = "",
        url: str = "",
        reference: str = "",
    ) -> SystemClient:
        client = SystemClient(
            self.name,
            frozenset(scopes.split()),
            frozenset(tied.split()) or None,
            reference,
            "" if url else key_set(self.key),
            url,
            1_700_000_000_000_000,
        )
        add_client(database, client)
        return client

    def assertion(
        self,
        now: float,
        *,
        header: dict[str, Any] | None = None,
        without: tuple[str, ...] = (),
        key: Key | None = None,
        **claims: Any,
    ) -> str:
        """A right one, unless told otherwise."""
        told: dict[str, Any] = {
            "iss": self.name,
            "sub": self.name,
            "aud": TOKEN,
            "exp": int(now) + 240,
            "jti": str(uuid.uuid4()),
        }
        told = {k: v for k, v in (told | claims).items() if k not in without}
        head = {"alg": self.alg, "kid": self.key.kid} | (header or {})
        head = {k: v for k, v in head.items() if v is not None}
        return jwt.encode(head, told, key or self.key, algorithms=[head["alg"]])

    def form(self, now: float, scope: str = "system/*.rs", **options: Any) -> dict[str, str]:
        """The form of a request for a token."""
        return asking(self.assertion(now, **options), scope)


def asking(assertion: str, scope: str = "system/*.rs") -> dict[str, str]:
    return {
        "grant_type": "client_credentials",
        "scope": scope,
        "client_assertion_type": ASSERTION_TYPE,
        "client_assertion": assertion,
    }


@dataclass
class Clock:
    """A clock that stands still until it is told to go on."""

    now: float = 1_800_000_000.0

    def __call__(self) -> float:
        return self.now


def access_at(database: Database, clock: Clock, settings: Settings = SETTINGS) -> Access:
    """Access control whose clocks, of both kinds, are that one."""
    from dataclasses import replace

    from service.access.bearer import Bearers
    from service.access.gate import SmartGate

    access = opened_access(database, settings)
    bearers = Bearers(database, access.systems.tokens, clock, clock)
    systems = replace(access.systems, bearers=bearers, clock=clock)
    return Access(SmartGate(bearers, waits=False), systems, access.keys, access.sign_in)
