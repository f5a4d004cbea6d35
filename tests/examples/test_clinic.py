"""Is the invented clinic well made as a set? Validity, order, links, and what must not be said.

Outside source: R4, through the validation of the service.
"""

from __future__ import annotations

import json
import re
from collections import Counter
from datetime import date, datetime
from statistics import mean

import pytest

from service.data import mappings
from service.standard.codec import decode
from service.standard.validation import validate
from tests.examples.invented import (
    UNTIL,
    Json,
    all_of,
    clinic,
    day_of,
    entries,
    final,
    sent,
    walk,
)


def _resolved(resource: Json) -> bytes:
    return re.sub(r"Observation\?identifier=[^\"]+", "Observation/1", json.dumps(resource)).encode()


def test_every_transaction_is_valid_r4() -> None:
    found = Counter(
        (issue.expression, issue.text)
        for bundle in sent()
        for issue in validate(decode(json.dumps(bundle).encode()))
        if issue.severity in ("error", "fatal")
    )
    assert not found


def test_every_resource_is_valid_r4_once_its_references_are_resolved() -> None:
    """A search in place of a reference is for transactions; the service puts an id there."""
    found = Counter(
        (entry["resource"]["resourceType"], issue.expression, issue.text)
        for entry in entries()
        for issue in validate(decode(_resolved(entry["resource"])))
        if issue.severity in ("error", "fatal")
    )
    assert not found


def test_our_code_systems_and_extensions_are_valid_r4() -> None:
    for folder in ("code-systems", "profiles"):
        for path in mappings(folder).glob("*.json"):
            issues = [i for i in validate(decode(path.read_bytes())) if i.severity != "warning"]
            assert not issues, path.name


def test_the_same_seed_and_date_give_the_same_bytes() -> None:
    again = json.dumps(list(clinic().bundles()))
    assert again == json.dumps(sent())
    assert again != json.dumps(list(clinic().bundles(seed=8)))


@pytest.mark.parametrize("until", [UNTIL, date(2027, 3, 1), date(2024, 2, 29)])
def test_everything_happens_in_the_year_before_the_given_date(until: date) -> None:
    days = [
        day_of(entry["resource"])
        for bundle in clinic().bundles(until=until)
        for entry in bundle["entry"]
        if entry["resource"]["resourceType"] == "Observation"
    ]
    assert 3 <= (until - date.fromisoformat(max(days))).days <= 10
    assert (until - date.fromisoformat(min(days))).days <= 366


def test_the_set_up_comes_first_then_clients_then_sessions_in_the_order_of_time() -> None:
    first = [bundle["entry"][0]["resource"]["resourceType"] for bundle in sent()]
    assert first[:7] == ["Organization", *["Patient"] * 6]
    starts = [
        bundle["entry"][0]["resource"]["period"]["start"]
        for bundle in sent()
        if bundle["entry"][0]["resource"]["resourceType"] == "Encounter"
    ]
    assert starts == sorted(starts)


def test_every_reference_leads_to_something_sent_before_or_in_the_same_bundle() -> None:
    there: set[str] = set()
    numbered: Counter[str] = Counter()
    for bundle in sent():
        names = {entry.get("fullUrl") or entry["request"]["url"] for entry in bundle["entry"]}
        for entry in bundle["entry"]:
            resource = entry["resource"]
            for item in walk(resource):
                target = item.get("reference")
                if not isinstance(target, str):
                    continue
                if "?identifier=" in target:
                    assert numbered[target] == 1, target
                elif target.startswith("urn:uuid:"):
                    assert target in names, target
                else:
                    assert target in there | names, target
        there |= {name for name in names if not name.startswith("urn:")}
        for entry in bundle["entry"]:
            if entry["request"]["method"] == "POST":
                numbered[f"{entry['request']['url']}?{entry['request']['ifNoneExist']}"] += 1


def test_sending_twice_makes_one_of_each() -> None:
    """What is POSTed carries the very identifier it is looked up by, and no two share one."""
    seen: set[str] = set()
    for entry in entries():
        request, resource = entry["request"], entry["resource"]
        if request["method"] == "PUT":
            assert request["url"] == f"{resource['resourceType']}/{resource['id']}"
            assert re.fullmatch(r"[A-Za-z0-9.-]{1,64}", resource["id"])
            continue
        own = resource["identifier"][0]
        assert request["ifNoneExist"] == f"identifier={own['system']}|{own['value']}"
        key = f"{resource['resourceType']}|{own['system']}|{own['value']}"
        assert key not in seen
        seen.add(key)


def test_whatever_a_hospital_would_match_on_has_an_identifier() -> None:
    assert all(resource.get("identifier") for resource in final())
    taken = Counter((r["identifier"][0]["system"], r["identifier"][0]["value"]) for r in final())
    assert [key for key, count in taken.items() if count > 1] == []


def test_the_year_holds_enough_sessions_and_some_missed_ones_with_reasons() -> None:
    status = Counter(encounter["status"] for encounter in all_of("Encounter"))
    assert status["finished"] >= 150
    assert status["cancelled"] >= 10
    appointments = Counter(a["status"] for a in all_of("Appointment"))
    assert appointments["cancelled"] >= 5
    assert appointments["noshow"] >= 5
    assert all(
        "cancelationReason" in a for a in all_of("Appointment") if a["status"] == "cancelled"
    )
    left_out = [p for p in all_of("Procedure") if p["status"] == "not-done"]
    assert left_out
    assert all(p["statusReason"]["coding"] for p in left_out)


def test_a_session_is_a_moderate_bundle() -> None:
    sizes = [
        Counter(entry["resource"]["resourceType"] for entry in bundle["entry"])
        for bundle in sent()
        if bundle["entry"][0]["resource"].get("status") == "finished"
    ]
    assert max(sum(size.values()) for size in sizes) <= 20
    treated = [size for size in sizes if size["Procedure"]]
    assert all(1 <= size["Procedure"] <= 6 for size in treated)
    assert 4 <= mean(size["Observation"] for size in treated) <= 9


def test_no_therapist_is_in_two_sessions_at_once() -> None:
    seen: set[tuple[str, str]] = set()
    for encounter in all_of("Encounter"):
        who = encounter["participant"][0]["individual"]["reference"]
        start = datetime.fromisoformat(encounter["period"]["start"])
        assert start.weekday() < 5
        assert 7 <= start.hour <= 17
        assert (who, start.isoformat()) not in seen
        seen.add((who, start.isoformat()))


def test_clients_are_plausible_people() -> None:
    ages = sorted(
        (UNTIL - date.fromisoformat(p["birthDate"])).days // 365 for p in all_of("Patient")
    )
    assert ages[0] in range(5, 9)
    assert all(30 <= age <= 90 for age in ages[1:])
    for person in all_of("Patient"):
        assert re.fullmatch(r"\+1 928 555 01\d\d", person["telecom"][0]["value"])


def test_words_defer_to_the_therapist_and_never_give_an_all_clear() -> None:
    texts = json.dumps(final())
    assert "safe to swallow" not in texts.lower()
    for plan in all_of("CarePlan"):
        assert "Defer to local rules and the licensed therapist" in plan["description"]
    for flag in all_of("Flag"):
        assert "Defer to local rules and the licensed therapist" in flag["code"]["text"]


def test_nothing_given_goes_against_what_is_known_of_the_client() -> None:
    """Stated in the clients' flags: nothing chilled for one, no flavoured swabs for another."""
    for procedure in all_of("Procedure"):
        used = [
            extension["valueCodeableConcept"]["coding"][0]["code"]
            for extension in procedure.get("extension", [])
            if extension["url"].endswith("/stimulus")
        ]
        if procedure["subject"]["reference"] == "Patient/lioba-fernhurst":
            assert not {"cold-probe", "chilled-spoon", "chilled-swab"} & set(used)
        assert "chilled-swab" not in used


def test_narratives_are_there_for_people_plans_goals_and_reports() -> None:
    for kind in ("Patient", "CarePlan", "Goal", "DiagnosticReport"):
        assert all_of(kind)
        for resource in all_of(kind):
            assert resource["text"]["status"] == "generated"
            assert resource["text"]["div"].startswith('<div xmlns="http://www.w3.org/1999/xhtml">')
