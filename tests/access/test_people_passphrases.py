"""Passphrases: parameters of RFC 9106, what NIST SP 800-63B-4 asks for, and nothing else."""

from __future__ import annotations

import argon2
import pytest
from argon2.low_level import Type

from service.access.people_passphrases import hashed, is_outdated, is_right, required_passphrase

GOOD = "quiet river stones"


def test_parameters_are_those_of_rfc_9106() -> None:
    """Section 4, second recommended option: t=3, p=4, m=2^16 KiB, 128-bit salt, 256-bit tag."""
    found = argon2.extract_parameters(hashed(GOOD))
    assert found == argon2.profiles.RFC_9106_LOW_MEMORY
    assert (found.type, found.version, found.time_cost, found.parallelism) == (Type.ID, 19, 3, 4)
    assert (found.memory_cost, found.salt_len, found.hash_len) == (2**16, 16, 32)


def test_the_library_itself_takes_the_hash_and_no_other() -> None:
    encoded = hashed(GOOD)
    assert argon2.PasswordHasher().verify(encoded, GOOD)
    assert encoded != hashed(GOOD)
    assert is_right(GOOD, encoded)
    assert not is_right(GOOD + ".", encoded)
    assert not is_right("", encoded)


def test_for_nobody_nothing_is_right() -> None:
    for text in ("", GOOD, "\ud800", "x" * 5000):
        assert not is_right(text, "")
    assert not is_right(GOOD, "$argon2id$broken")


def test_older_parameters_are_seen() -> None:
    weak = argon2.PasswordHasher(time_cost=1, memory_cost=8, parallelism=1).hash(GOOD)
    assert is_right(GOOD, weak)
    assert is_outdated(weak)
    assert not is_outdated(hashed(GOOD))


def test_how_the_keyboard_composes_it_makes_no_difference() -> None:
    assert is_right("cafe\u0301 in the morning", hashed("caf\u00e9 in the morning"))


@pytest.mark.parametrize(
    "text",
    ["stone river qui", GOOD, "12345 67890 12345", "слово за словом вот", "a b c d e f g h i"],
)
def test_length_counts_and_not_which_characters(text: str) -> None:
    assert required_passphrase(text, "robin") == text


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("stone river qu", "15 to 500"),
        ("x" * 501, "15 to 500"),
        ("", "15 to 500"),
        ("robinrobinrobin", "login"),
        ("Robin Robin hyoid", "login"),
        ("robin.ashvale.2026", "name"),
        ("abababababababab", "easy to guess"),
        ("passwordpassword", "easy to guess"),
        ("P4ssw0rd12345678", "easy to guess"),
        ("letmeinletmein123", "easy to guess"),
        ("qwertyuiopasdfgh", "easy to guess"),
        ("abcdefghijklmnop", "easy to guess"),
        ("football baseball", "easy to guess"),
        ("1q2w3e4r5t6y7u8i" * 20, "easy to guess"),
        ("quiet river\x00stones", "control"),
    ],
)
def test_what_is_refused(text: str, what: str) -> None:
    with pytest.raises(ValueError, match=what):
        required_passphrase(text, "robin", "Robin Ashvale")
