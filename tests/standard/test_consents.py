"""What denies a disclosure? Rules of http://hl7.org/fhir/R4/consent.html: the root rule, exceptions
nested in it, policies opted out of; the rows are our reading of them.

Outside source: codes of scope, action and provision type are those of the official package.
"""

from __future__ import annotations

from typing import Any

import pytest

from service.standard import consents
from service.standard.consents import Disclosure, denies
from service.standard.partial_dates import interval
from tests import official

NOW = interval("2026-06-15T12:00:00Z")[0]
OURS = Disclosure(frozenset({"Organization/lakeside", "Device/lakeside"}), None, NOW)
OTHERS = Disclosure(frozenset({"Organization/other"}), None, NOW)
UNKNOWN = Disclosure(frozenset(), None, NOW)
Json = dict[str, Any]


def consent(provision: Json | None, scope: str = "patient-privacy", **more: Any) -> Json:
    coding = {"system": "http://terminology.hl7.org/CodeSystem/consentscope", "code": scope}
    made: Json = {"resourceType": "Consent", "status": "active", "scope": {"coding": [coding]}}
    if provision is not None:
        made["provision"] = provision
    return made | more


def actor(reference: str) -> Json:
    return {"role": {"coding": [{"code": "PRCP"}]}, "reference": {"reference": reference}}


def deny(**more: Any) -> Json:
    return {"type": "deny", **more}


def permit(**more: Any) -> Json:
    return {"type": "permit", **more}


def action(*codes: str) -> list[Json]:
    return [{"coding": [{"code": code}]} for code in codes]


LAKESIDE = [actor("Organization/lakeside")]
OPTED_OUT = {"policyRule": {"coding": [{"code": "OPTOUT"}]}}
OPTED_IN = {"policyRule": {"coding": [{"code": "OPTIN"}]}}
LONG_AGO, NEXT_YEAR = {"end": "2020-01-01"}, {"start": "2027"}

TABLE: list[tuple[str, Json, bool, bool]] = [
    # name, consent, denied to us, denied to others
    ("nothing is said", consent(None), False, False),
    ("everybody", consent(deny()), True, True),
    ("permit", consent(permit()), False, False),
    ("us", consent(deny(actor=LAKESIDE)), True, False),
    ("our device", consent(deny(actor=[actor("Device/lakeside")])), True, False),
    ("one of two", consent(deny(actor=[actor("Device/x"), *LAKESIDE])), True, False),
    ("draft", consent(deny(), status="draft"), False, False),
    ("inactive", consent(deny(), status="inactive"), False, False),
    ("research only", consent(deny(), scope="research"), False, False),
    ("treatment only", consent(deny(), scope="treatment"), False, False),
    ("an unknown scope", consent(deny(), scope="own-scope"), True, True),
    ("opted out", consent(None, **OPTED_OUT), True, True),
    ("opted in", consent(None, **OPTED_IN), False, False),
    ("out, but for us", consent({"provision": [permit(actor=LAKESIDE)]}, **OPTED_OUT), False, True),
    ("in, but for us", consent({"provision": [deny(actor=LAKESIDE)]}, **OPTED_IN), True, False),
    ("no policy, but for us", consent({"provision": [deny(actor=LAKESIDE)]}), True, False),
    ("deny, but permit us", consent(deny(provision=[permit(actor=LAKESIDE)])), False, True),
    ("permit, but deny us", consent(permit(provision=[deny(actor=LAKESIDE)])), True, False),
    (
        "two levels",
        consent(deny(provision=[permit(provision=[deny(actor=LAKESIDE)])])),
        True,
        False,
    ),
    (
        "three levels are too deep",
        consent(permit(provision=[permit(provision=[permit(provision=[deny(actor=LAKESIDE)])])])),
        True,
        True,
    ),
    (
        "three levels that only permit",
        consent(permit(provision=[permit(provision=[permit(provision=[permit()])])])),
        False,
        False,
    ),
    (
        "of two beside each other the denial",
        consent({"provision": [permit(actor=LAKESIDE), deny(actor=LAKESIDE)]}),
        True,
        False,
    ),
    ("nested without a type", consent({"provision": [{"actor": LAKESIDE}]}), True, False),
    ("over", consent(deny(period=LONG_AGO)), False, False),
    ("not yet", consent(deny(period=NEXT_YEAR)), False, False),
    ("now", consent(deny(period={"start": "2026-06", "end": "2026-06-15"})), True, True),
    ("a date that is none", consent(deny(period={"start": "soon"})), True, True),
    (
        "permit for a time that is over",
        consent(deny(provision=[permit(period=LONG_AGO)])),
        True,
        True,
    ),
    ("collecting only", consent(deny(action=action("collect", "correct"))), False, False),
    ("disclosing", consent(deny(action=action("disclose"))), True, True),
    ("an action of its own", consent(deny(action=action("fax"))), True, True),
    ("an action without code", consent(deny(action=[{"text": "giving away"}])), True, True),
    ("permit collecting", consent(deny(provision=[permit(action=action("collect"))])), True, True),
    ("for a purpose", consent(deny(purpose=[{"code": "HMARKT"}])), True, True),
    (
        "permit a purpose",
        consent(deny(provision=[permit(purpose=[{"code": "TREAT"}])])),
        True,
        True,
    ),
    ("a period of data", consent(deny(dataPeriod={"start": "2025"})), True, True),
    ("a class of data", consent(deny(**{"class": [{"code": "Observation"}]})), True, True),
    ("permit some data", consent(deny(provision=[permit(code=[{"text": "x"}])])), True, True),
    ("an actor elsewhere", consent(deny(actor=[actor("https://x.example/Device/1")])), True, True),
    ("a team", consent(deny(actor=[actor("CareTeam/1")])), True, True),
    ("by identifier", consent(deny(actor=[{"reference": {"identifier": {}}}])), True, True),
    ("permit a team", consent(deny(provision=[permit(actor=[actor("CareTeam/1")])])), True, True),
    ("odd", consent(deny(actor=LAKESIDE), modifierExtension=[{"url": "x"}]), True, True),
    ("odd but permitting", consent(permit(), implicitRules="http://x"), False, False),
    (
        "odd permit within",
        consent(deny(provision=[permit(modifierExtension=[{"url": "x"}])])),
        True,
        True,
    ),
]


@pytest.mark.parametrize(("name", "given", "ours", "others"), TABLE, ids=[row[0] for row in TABLE])
def test_what_denies(name: str, given: Json, ours: bool, others: bool) -> None:
    assert (denies(given, OURS), denies(given, OTHERS)) == (ours, others)


def test_where_the_recipient_is_not_known_denials_of_single_ones_do_not_count() -> None:
    assert denies(consent(deny()), UNKNOWN)
    assert not denies(consent(deny(actor=LAKESIDE)), UNKNOWN)


@pytest.mark.parametrize(
    ("purposes", "denied"), [({"TREAT"}, False), ({"HMARKT"}, True), ({"TREAT", "HMARKT"}, True)]
)
def test_a_purpose_that_is_known_is_compared(purposes: set[str], denied: bool) -> None:
    known = Disclosure(OURS.recipients, frozenset(purposes), NOW)
    assert denies(consent(deny(purpose=[{"code": "HMARKT"}])), known) is denied
    permitted = consent(deny(provision=[permit(purpose=[{"code": "TREAT"}])]))
    assert denies(permitted, known) is ("TREAT" not in purposes)


def test_the_codes_are_those_of_the_standard() -> None:
    def codes(name: str) -> set[str]:
        return {concept["code"] for concept in official.package()[name]["concept"]}

    assert codes("CodeSystem-consent-scope") == consents._OTHER_SCOPES | {"patient-privacy"}
    assert codes("CodeSystem-consent-action") == consents._SHARING | consents._NOT_SHARING
    assert codes("CodeSystem-consent-provision-type") == {"permit", "deny"}
    elements = official.package()["StructureDefinition-Consent"]["snapshot"]["element"]
    inside = {
        each["path"].removeprefix("Consent.provision.").removesuffix("[x]")
        for each in elements
        if each["path"].startswith("Consent.provision.")
    }
    known = {name for name in inside if "." not in name} - {"modifierExtension"}
    assert known == consents._KNOWN
