"""Is this passphrase good enough, and is it the right one?

Argon2id with the parameters of argon2-cffi, which are the second recommendation of RFC 9106,
section 4: 3 passes over 64 MiB. Length counts, not which characters (NIST SP 800-63B, section
"Password Verifiers": at least 15 characters where nothing else is asked for, Unicode normalised,
no rules of composition, not the login, nothing that repeats; read from memory).
"""

from __future__ import annotations

import secrets
import threading
import unicodedata
from functools import cache

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

SHORTEST, LONGEST = 15, 500
"""Characters of a passphrase."""
FEWEST = 5
"""Different characters; a passphrase of fewer repeats itself."""

_HASHER = PasswordHasher()
_AT_ONCE = threading.BoundedSemaphore(2)
"""64 MiB each: many at once must not fill memory."""


def required_passphrase(text: str, login: str) -> str:
    """The passphrase as it is hashed. Raises ValueError that says what it lacks."""
    found = normal(text)
    if not SHORTEST <= len(found) <= LONGEST:
        raise ValueError(f"a passphrase has {SHORTEST} to {LONGEST} characters: take a few words")
    if any(unicodedata.category(each) in ("Cc", "Cs", "Cn") for each in found):
        raise ValueError("a passphrase has no control characters")
    bare = found.casefold()
    for name in (login.casefold(), "hyoid"):
        rest = bare.replace(name, "") if name else bare
        if len(rest) < SHORTEST - 3 and rest != bare:
            raise ValueError("a passphrase is not made of the login or the name of the service")
    if len(set(bare)) < FEWEST:
        raise ValueError("a passphrase does not repeat a few characters")
    return found


def hashed(passphrase: str) -> str:
    """The encoded hash to keep, with a salt of its own."""
    with _AT_ONCE:
        return _HASHER.hash(normal(passphrase))


def is_right(passphrase: str, encoded: str) -> bool:
    """Whether it was hashed so. For an empty hash one is verified that nobody knows."""
    with _AT_ONCE:
        try:
            _HASHER.verify(encoded or _nobodys(), normal(passphrase)[: 4 * LONGEST])
        except (VerificationError, InvalidHashError, UnicodeError):
            return False
    return bool(encoded)


def is_outdated(encoded: str) -> bool:
    """Whether it was hashed with parameters that are not those of today."""
    return _HASHER.check_needs_rehash(encoded)


def normal(text: str) -> str:
    """The same text, however the keyboard composes it."""
    return unicodedata.normalize("NFKC", text)


@cache
def _nobodys() -> str:
    return _HASHER.hash(secrets.token_urlsafe(32))
