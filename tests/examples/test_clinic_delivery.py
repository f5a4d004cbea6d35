"""Does what was delivered follow what was ordered, in the terms of the dose extension?

Outside source: strokes = strokes per side x sides x trials, the counting of published dose studies.
"""

from __future__ import annotations

import json

from service.data import mappings
from tests.examples.invented import (
    all_of,
    code_of,
)


def test_what_was_delivered_is_linked_to_session_order_and_plan() -> None:
    for procedure in all_of("Procedure"):
        order, plan = (item["reference"] for item in procedure["basedOn"])
        assert order.startswith("ServiceRequest/")
        assert plan.startswith("CarePlan/")
        assert procedure["encounter"]["reference"].startswith("urn:uuid:")
        assert procedure["bodySite"]
    responses = [o for o in all_of("Observation") if code_of(o) == "technique-response"]
    done = [p for p in all_of("Procedure") if p["status"] == "completed"]
    assert len(responses) == len(done)
    assert all(r["partOf"] and r["basedOn"] and r["encounter"] for r in responses)


def test_an_order_and_what_is_delivered_under_it_name_the_same_technique() -> None:
    orders = {f"ServiceRequest/{r['id']}": r for r in all_of("ServiceRequest")}
    for procedure in all_of("Procedure"):
        order = orders[procedure["basedOn"][0]["reference"]]
        assert procedure["code"] == order["code"]
        assert procedure["bodySite"] == order["bodySite"]
        bounds = order["occurrenceTiming"]["repeat"]["boundsPeriod"]
        day = procedure["performedPeriod"]["start"][:10]
        assert bounds["start"] <= day <= bounds["end"]


def test_the_dose_extension_follows_its_definition() -> None:
    definition = json.loads(mappings("profiles", "dose.json").read_bytes())
    elements = {e["id"]: e for e in definition["snapshot"]["element"]}
    names = [e["sliceName"] for e in elements.values() if "sliceName" in e]
    kinds = {n: elements[f"Extension.extension:{n}.value[x]"]["type"][0]["code"] for n in names}
    doses = [
        part
        for resource in all_of("Procedure") + all_of("ServiceRequest")
        for extension in resource.get("extension", [])
        if extension["url"] == definition["url"]
        for part in extension["extension"]
    ]
    assert {part["url"] for part in doses} == set(kinds)
    for part in doses:
        kind = kinds[part["url"]]
        assert set(part) == {"url", f"value{kind[0].upper()}{kind[1:]}"}


def test_delivered_strokes_are_what_sets_and_trials_give() -> None:
    """Strokes = strokes per side x trials; one series may be missing on the second side."""
    checked = 0
    for procedure in all_of("Procedure"):
        parts = {
            p["url"]: next(v for k, v in p.items() if k.startswith("value"))
            for e in procedure.get("extension", [])
            for p in e.get("extension", [])
        }
        if "trials" in parts and parts["strokesLeft"]:
            assert parts["strokesLeft"] == parts["strokesPerSide"] * parts["trials"]
            short = parts["strokesLeft"] - parts["strokesRight"]
            assert short in (0, parts["strokesPerSide"])
            checked += 1
    assert checked > 10


def test_nothing_of_a_technique_is_done_while_therapy_is_held() -> None:
    held = next(p for p in all_of("CarePlan") if p["id"] == "amos-wexcombe-plan-swallow")
    since = held["note"][2]["time"]
    after = [
        p
        for p in all_of("Procedure")
        if p["subject"]["reference"] == "Patient/amos-wexcombe"
        and p["performedPeriod"]["start"] > since
    ]
    assert after
    assert {p["statusReason"]["coding"][0]["code"] for p in after} == {"medical-hold"}
