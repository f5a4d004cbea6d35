"""What is a code called, in which language, and is it called what somebody says?

R4: Coding.display, CodeSystem.concept.designation. Languages are compared as BCP 47 look-up does
(RFC 4647, section 3.4): `de-AT` is content with `de`, and `de` with `de-AT`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from service.standard.extraction.text import fold
from service.standard.terminology.code_systems import Concept


def speaks(language: str | None, wanted: str) -> bool:
    """Whether a text in this language will do for who wants that one."""
    if not language:
        return False
    have, want = language.casefold(), wanted.casefold()
    return have == want or have.startswith(f"{want}-") or want.startswith(f"{have}-")


def designations_of(
    concept: Concept | None, own: Iterable[Mapping[str, Any]] = ()
) -> list[Mapping[str, Any]]:
    """What a code may also be called: of the value set, then of the code system."""
    return [*own, *(concept.designations if concept else ())]


def display_of(
    concept: Concept | None,
    own: str | None = None,
    designations: Iterable[Mapping[str, Any]] = (),
    *,
    language: str | None = None,
) -> str | None:
    """What to call a code: in the wanted language where there is a designation, else as usual.

    `own` and `designations` are those of a value set, which come before the system's.
    """
    if language:
        exact = [
            each
            for each in designations_of(concept, designations)
            if speaks(each.get("language"), language) and each.get("value")
        ]
        exact.sort(key=lambda each: each["language"].casefold() != language.casefold())
        if exact:
            return str(exact[0]["value"])
    return own or (concept.display if concept else None)


def is_called(
    text: str,
    concept: Concept | None,
    own: str | None = None,
    designations: Iterable[Mapping[str, Any]] = (),
) -> bool | None:
    """Whether a code may be called this, whatever case and accents; None: nobody knows."""
    names = [own, concept.display if concept else None]
    names += [each.get("value") for each in designations_of(concept, designations)]
    known = [name for name in names if isinstance(name, str)]
    if not known:
        return None
    return fold(text) in {fold(name) for name in known}
