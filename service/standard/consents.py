"""Does a client's Consent deny that the record is disclosed? R4: http://hl7.org/fhir/R4/consent.html.

The root provision is the rule, nested ones are exceptions from the one around them; the innermost
that fits decides, and of several beside each other the one that denies. What is denied for a part
of the record only (a kind of data, a period of it) denies the whole: an export cannot be parted so
that nothing tells of the rest. What cannot be understood denies where it
might, and permits nothing.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Literal

from service.standard.partial_dates import interval

Json = dict[str, Any]
Answer = Literal["permit", "deny"]

_DEEPEST = 2
"""Nested provisions that are followed; what lies deeper is not understood."""

_OTHER_SCOPES = frozenset({"adr", "research", "treatment"})
"""http://terminology.hl7.org/CodeSystem/consentscope; the fourth is patient-privacy."""

_SHARING = frozenset({"access", "disclose"})
_NOT_SHARING = frozenset({"collect", "correct", "use"})
"""http://terminology.hl7.org/CodeSystem/consentaction"""

_OPTED_OUT = frozenset({"OPTOUT", "OPTOUTE"})
"""http://terminology.hl7.org/CodeSystem/v3-ActCode: without a rule of its own, all is denied."""

_OF_DATA = ("securityLabel", "class", "code", "dataPeriod", "data")
_KNOWN = frozenset(
    {"id", "extension", "type", "period", "actor", "action", "purpose", "provision", *_OF_DATA}
)


@dataclass(frozen=True, slots=True)
class Disclosure:
    """What is about to happen: to whom, what for, and when.

    `recipients` are references (`Organization/x`) of all that the recipient is. `purposes` are
    codes of http://terminology.hl7.org/CodeSystem/v3-ActReason; None where they are not known, so
    that each purpose may be meant. `at` in microseconds since 1970.
    """

    recipients: frozenset[str]
    purposes: frozenset[str] | None
    at: int


def denies(consent: Json, disclosure: Disclosure) -> bool:
    """Whether this Consent, if it is active and about privacy, denies the disclosure."""
    if consent.get("status") != "active" or _codes(consent.get("scope")) & _OTHER_SCOPES:
        return False
    base: Answer = "deny" if _codes(consent.get("policyRule")) & _OPTED_OUT else "permit"
    provision = consent.get("provision")
    if provision is None:
        return base == "deny" or _is_odd(consent)
    if _is_odd(consent) and (base == "deny" or _mentions_denial(provision)):
        return True
    return (_decided(provision, base, disclosure, 0) or base) == "deny"


def _decided(rule: Json, around: Answer, disclosure: Disclosure, depth: int) -> Answer | None:
    """What the rule says; None where it does not fit. At the root it need not say what it is."""
    told = rule.get("type", around if depth == 0 else "deny")
    answer: Answer = "permit" if told == "permit" else "deny"
    nested = rule.get("provision", [])
    if depth == _DEEPEST and any(_mentions_denial(each) for each in nested):
        return "deny"
    if not _fits(rule, answer, disclosure):
        return None
    inner = (
        [_decided(each, answer, disclosure, depth + 1) for each in nested]
        if depth < _DEEPEST
        else []
    )
    if "deny" in inner:
        return "deny"
    return "permit" if "permit" in inner else answer


def _fits(rule: Json, answer: Answer, disclosure: Disclosure) -> bool:
    """Whether the rule is about this disclosure: a denial where it may be, a permit where it is."""
    may = answer == "deny"
    if not rule.keys() <= _KNOWN and not may:
        return False
    if any(name in rule for name in _OF_DATA) and not may:
        return False
    return (
        _is_at(rule.get("period"), disclosure.at, may)
        and _is_for(rule.get("actor", []), disclosure.recipients, may)
        and _is_action(rule.get("action", []), may)
        and _is_purpose(rule.get("purpose", []), disclosure.purposes, may)
    )


def _is_at(period: Json | None, at: int, may: bool) -> bool:
    if period is None:
        return True
    try:
        begun = "start" not in period or interval(period["start"])[0] <= at
        over = "end" in period and interval(period["end"])[1] < at
    except (ValueError, TypeError):
        return may
    return begun and not over


def _is_for(actors: list[Json], recipients: frozenset[str], may: bool) -> bool:
    if not actors:
        return True
    for actor in actors:
        reference = actor.get("reference", {}).get("reference", "")
        if reference in recipients:
            return True
        # Elsewhere, contained, by identifier, or a group of people: it may be the recipient.
        if may and not _is_one_of_ours(reference):
            return True
    return False


def _is_one_of_ours(reference: str) -> bool:
    kind, _, key = reference.partition("/")
    single = ("Organization", "Practitioner", "PractitionerRole", "Device", "Patient")
    return kind in (*single, "RelatedPerson") and bool(key) and "/" not in key


def _is_action(actions: list[Json], may: bool) -> bool:
    if not actions:
        return True
    for action in actions:
        codes = _codes(action)
        if codes & _SHARING or (may and not (codes and codes <= _NOT_SHARING)):
            return True
    return False


def _is_purpose(codings: list[Json], purposes: frozenset[str] | None, may: bool) -> bool:
    if not codings:
        return True
    if purposes is None:
        return may
    return any(
        coding.get("code", "") in purposes or ("code" not in coding and may) for coding in codings
    )


def _is_odd(resource: Json) -> bool:
    return "modifierExtension" in resource or "implicitRules" in resource


def _mentions_denial(rule: Json) -> bool:
    return rule.get("type") != "permit" or any(map(_mentions_denial, rule.get("provision", [])))


def _codes(concept: Json | None) -> frozenset[str]:
    codings: Iterable[Json] = (concept or {}).get("coding", ())
    return frozenset(coding["code"] for coding in codings if "code" in coding)
