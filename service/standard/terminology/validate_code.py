"""Is this coded value one of the value set, or of the code system?

R4: OperationDefinition-ValueSet-validate-code, OperationDefinition-CodeSystem-validate-code. A
code with a display that is none of its own is no valid coded value, as in the operation's own
example; the right display comes with the answer.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

from service.standard.terminology.answers import Resource, named, parameters
from service.standard.terminology.code_systems import CodeSystem, Concept
from service.standard.terminology.displays import display_of, is_called
from service.standard.terminology.library import Library
from service.standard.terminology.membership import find_code
from service.standard.terminology.refusals import (
    NotUnderstood,
    canonical,
    only_in_part,
    shown,
)
from service.standard.terminology.value_sets import ValueSet


class Claim(NamedTuple):
    """A coded value as handed in."""

    system: str | None
    code: str
    display: str | None = None
    version: str | None = None


@dataclass(frozen=True, slots=True)
class Wishes:
    """`abstract` lets codes pass that only group others."""

    abstract: bool = False
    language: str | None = None


class Verdict(NamedTuple):
    """Whether a claim holds, why not (or what to know), and what the code is called."""

    holds: bool
    message: str | None
    display: str | None


def answer(verdict: Verdict) -> Resource:
    """The Parameters of a $validate-code."""
    entries = [named("result", valueBoolean=verdict.holds)]
    if verdict.message:
        entries.append(named("message", valueString=verdict.message))
    if verdict.display:
        entries.append(named("display", valueString=verdict.display))
    return parameters(*entries)


def in_value_set(
    value_set: ValueSet, claims: Sequence[Claim], library: Library, wishes: Wishes
) -> Verdict:
    """Whether one of the claims is in the value set, and none is wrong in itself.

    Raises NotUnderstood where nobody can tell.
    """
    verdicts: list[Verdict] = []
    doubt: NotUnderstood | None = None
    for claim in claims:
        try:
            verdicts.append(_in_value_set(value_set, claim, library, wishes))
        except NotUnderstood as reason:
            doubt = reason
    if doubt is not None and not any(verdict.holds for verdict in verdicts):
        raise doubt
    return _best(verdicts)


def in_code_system(system: CodeSystem, claims: Sequence[Claim], wishes: Wishes) -> Verdict:
    """Whether one of the claims is a code of the system."""
    return _best([_in_code_system(system, claim, wishes) for claim in claims])


def _best(verdicts: Sequence[Verdict]) -> Verdict:
    holding = next((verdict for verdict in verdicts if verdict.holds), None)
    if holding is not None:
        return holding
    if not verdicts:
        return Verdict(False, "There is no coding to look at", None)
    told = "; ".join(dict.fromkeys(v.message for v in verdicts if v.message))
    display = next((v.display for v in verdicts if v.display), None)
    return Verdict(False, told or None, display)


def _in_value_set(value_set: ValueSet, claim: Claim, library: Library, wishes: Wishes) -> Verdict:
    name = canonical(value_set.url, value_set.version) or "handed in"
    code = f"{shown(claim.system or '')}|{shown(claim.code)}"
    if claim.system is None:
        return Verdict(False, f"The coding {shown(claim.code)!r} has no system", None)
    wrong_version = _wrong_version(claim, library)
    if wrong_version:
        return Verdict(False, wrong_version, None)
    found = find_code(value_set, claim.system, claim.code, library)
    if found is None:
        held = library.code_system(claim.system)
        unknown = held is not None and held.is_whole and held.find(claim.code) is None
        more = f"; {held.url} has no such code" if held is not None and unknown else ""
        concept = held.find(claim.code) if held else None
        display = display_of(concept, language=wishes.language)
        return Verdict(False, f"{code} is not in the value set {shown(name)}{more}", display)
    return _judged(claim, found.concept, found.display, wishes)


def _wrong_version(claim: Claim, library: Library) -> str | None:
    if claim.version is None or claim.system is None:
        return None
    if library.code_system(claim.system) is None or library.code_system(
        claim.system, claim.version
    ):
        return None
    return f"Version {shown(claim.version)} of {shown(claim.system)} is not held here"


def _in_code_system(system: CodeSystem, claim: Claim, wishes: Wishes) -> Verdict:
    if claim.system not in (None, system.url):
        text = f"The coding is of {shown(claim.system or '')}, not of {system.url}"
        return Verdict(False, text, None)
    if claim.version not in (None, system.version):
        text = f"Version {shown(claim.version or '')} of {system.url} is not held here"
        return Verdict(False, text, None)
    concept = system.find(claim.code)
    if concept is None and not system.is_whole:
        raise only_in_part(system.url)
    if concept is None:
        return Verdict(False, f"{system.url} has no code {shown(claim.code)!r}", None)
    return _judged(claim, concept, None, wishes)


def _judged(claim: Claim, concept: Concept | None, own: str | None, wishes: Wishes) -> Verdict:
    """What is to be said of a code that is where it should be."""
    display = display_of(concept, own, language=wishes.language)
    if concept is not None and concept.abstract and not wishes.abstract:
        text = f"{shown(claim.code)!r} only groups other codes (abstract)"
        return Verdict(False, text, display)
    if claim.display is not None:
        called = is_called(claim.display, concept, own)
        if called is False:
            text = f"{shown(claim.code)!r} is not called {shown(claim.display)!r}"
            return Verdict(False, text, display)
        if called is None:
            return Verdict(True, "What the code is called is not known here", None)
    if concept is not None and concept.inactive:
        return Verdict(True, f"{shown(claim.code)!r} is not in use any more (inactive)", display)
    return Verdict(True, None, display)
