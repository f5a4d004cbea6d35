"""Is this passphrase good enough, and is it the right one?

Argon2id with the parameters of argon2-cffi, which are the second recommendation of RFC 9106,
section 4: 3 passes over 64 MiB. Length counts, not which characters (NIST SP 800-63B-4, section
"Password Verifiers": at least 15 characters where nothing else is asked for, Unicode normalised,
no rules of composition, compared with a list of what is common or expected; read from memory).

The list is that of zxcvbn (MIT licence; D. Wheeler, "zxcvbn: Low-Budget Password Strength
Estimation", USENIX Security 2016): 30,000 passwords of breaches, and names and words by frequency.
A list of whole passwords has few of 15 characters, so what counts is how many guesses the library
says it takes to put the passphrase together from these, repeated, in rows of the keyboard, as
dates or with digits for letters.
"""

from __future__ import annotations

import re
import secrets
import threading
import unicodedata
from functools import cache

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

SHORTEST, LONGEST = 15, 500
"""Characters of a passphrase."""
GUESSES = 10**10
"""Fewest guesses that it must take: from here on zxcvbn calls it very unguessable (4 of 4)."""
_JUDGED = 72
"""Characters that are looked at; what the library takes grows with their square, and worse."""

_HASHER = PasswordHasher()
_AT_ONCE = threading.BoundedSemaphore(2)
"""64 MiB each: many at once must not fill memory."""


def required_passphrase(text: str, login: str, name: str = "") -> str:
    """The passphrase as it is hashed. Raises ValueError that says what it lacks.

    What somebody would expect of this person, the login, the name and the service, counts nothing.
    """
    found = normal(text)
    if not SHORTEST <= len(found) <= LONGEST:
        raise ValueError(f"a passphrase has {SHORTEST} to {LONGEST} characters: take a few words")
    if any(unicodedata.category(each) in ("Cc", "Cs", "Cn") for each in found):
        raise ValueError("a passphrase has no control characters")
    bare = found.casefold()
    expected = {login.casefold(), *_words(login), *_words(name), "hyoid"}
    for word in sorted(expected - {""}, key=len, reverse=True):
        bare = bare.replace(word, "")
    if len(bare) < SHORTEST - 3 and bare != found.casefold():
        raise ValueError("a passphrase is not made of the login, the name or that of the service")
    if _guesses(found, expected) < GUESSES:
        raise ValueError(
            "this passphrase is easy to guess: common words or passwords, what repeats, rows of the"
            " keyboard and dates count little; take a few words that have nothing to do with each"
            " other"
        )
    return found


def _words(text: str) -> list[str]:
    return [word for word in re.split(r"[\W_]+", text.casefold()) if len(word) > 2]


def _guesses(text: str, expected: set[str]) -> float:
    # Its lists take a third of a second to load, which only those need who set a passphrase.
    from zxcvbn import zxcvbn

    return float(zxcvbn(text[:_JUDGED], user_inputs=sorted(expected))["guesses"])


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
