"""$progress over HTTP: every number recomputed from the raw resources, by SciPy and by hand."""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable
from datetime import date, datetime, timedelta
from typing import Any

import httpx
import pytest
from scipy.stats import binomtest, kendalltau, theilslopes

from service.caller import ANONYMOUS, Caller
from service.errors import Gone, NotFound
from service.rest.call import Call, Service
from service.rest.progress import show_progress
from service.rest.routing import Interaction
from service.settings import Settings
from service.store.store import Store
from tests.examples.invented import sent
from tests.factories.course import (
    START,
    client,
    concept,
    delivered,
    goal,
    measured,
    order,
    plan,
    quantity,
    response,
    weekly,
)
from tests.rest.putting import put_all

Resource = dict[str, Any]
COLD = "faucial-cold-strokes"
PHASE = "https://hyoid.example/fhir/CodeSystem/phase"


def ask(fhir: httpx.Client, plan_id: str, query: str = "") -> Resource:
    """The answer, which must be one."""
    answer = fhir.get(f"CarePlan/{plan_id}/$progress{query}")
    assert answer.status_code == 200, answer.text[:2000]
    found: Resource = answer.json()
    return found


def read(parameter: Resource) -> dict[str, Any]:
    """The parts by name; repeated ones as lists, nested ones left out."""
    found: dict[str, Any] = {"based-on": [], "limit": [], "published": []}
    for part in parameter["part"]:
        value = next((v for key, v in part.items() if key.startswith("value")), None)
        if part["name"] in ("based-on", "limit", "published"):
            found[part["name"]].append(value)
        elif value is not None:
            found[part["name"]] = value
    return found


def measures(found: Resource) -> dict[tuple[str, str], dict[str, Any]]:
    """The measures by code and site."""
    told = [read(p) for p in found["parameter"] if p["name"] == "measure"]
    return {(m["code"]["code"], m.get("body-site", {}).get("code", "")): m for m in told}


def only(found: Resource, name: str) -> list[dict[str, Any]]:
    return [read(parameter) for parameter in found["parameter"] if parameter["name"] == name]


def all_of(fhir: httpx.Client, path: str) -> list[Resource]:
    """Everything a search gives."""
    found, url = [], path
    while url:
        bundle = fhir.get(url).raise_for_status().json()
        found += [entry["resource"] for entry in bundle.get("entry", ())]
        url = next((link["url"] for link in bundle["link"] if link["relation"] == "next"), "")
    return found


@pytest.fixture(scope="module")
def clinic(fhir: httpx.Client) -> Callable[[str], None]:
    """Sends one client of the invented clinic, once."""
    done: set[str] = set()

    def send_client(slug: str) -> None:
        bundles = sent()
        wanted = [bundles[0]] if not done else []
        wanted += [b for b in bundles[1:] if slug in str(b["entry"][0])] if slug not in done else []
        done.add(slug)
        for bundle in wanted:
            fhir.post("", json=bundle).raise_for_status()

    return send_client


# ------------------------------------------------------------------ recomputed from raw resources


def when(observation: Resource) -> datetime:
    text = observation.get("effectiveDateTime") or observation["effectivePeriod"]["start"]
    return datetime.fromisoformat(text)


def raw_phases(
    fhir: httpx.Client, plan_resource: Resource, code: str, site: str
) -> tuple[list[Resource], list[Resource]]:
    """Baseline and treatment Observations by the phase that is written on them, in order."""
    patient = plan_resource["subject"]["reference"].split("/")[1]
    this = f"CarePlan/{plan_resource['id']}"
    start = date.fromisoformat(plan_resource["period"]["start"])
    found = all_of(fhir, f"Observation?patient={patient}&code={code}&_count=500")
    kept = [o for o in found if site in str(o.get("bodySite", "")) or not site]
    kept.sort(key=lambda o: (when(o).date(), when(o).isoformat(), o["id"]))

    def phase(observation: Resource) -> str:
        codings = [c for category in observation["category"] for c in category.get("coding", ())]
        return next(c["code"] for c in codings if c["system"] == PHASE)

    baseline = [
        o
        for o in kept
        if phase(o) == "baseline" and start - timedelta(184) < when(o).date() < start
    ]
    treatment = [o for o in kept if o.get("basedOn") == [{"reference": this}]]
    return baseline, treatment


@pytest.mark.parametrize(
    ("slug", "plan_id"),
    [
        ("amos-wexcombe", "amos-wexcombe-plan-swallow"),
        ("tobias-ashvale", "tobias-ashvale-plan-lips"),
        ("edda-rowanlea", "edda-rowanlea-plan-speech"),
    ],
)
def test_every_number_of_a_measure_recomputed(
    fhir: httpx.Client, clinic: Callable[[str], None], slug: str, plan_id: str
) -> None:
    clinic(slug)
    resource = fhir.get(f"CarePlan/{plan_id}").json()
    told = measures(ask(fhir, plan_id))
    assert len(told) >= 5
    for (code, site), found in told.items():
        baseline, treatment = raw_phases(fhir, resource, code, site)
        a = [o["valueQuantity"]["value"] for o in baseline]
        b = [o["valueQuantity"]["value"] for o in treatment]
        days = [when(o).date().toordinal() for o in treatment]
        where = (code, site)
        assert (found["baseline-count"], found["treatment-count"]) == (len(a), len(b)), where
        assert {r["reference"] for r in found["based-on"]} == {
            f"Observation/{o['id']}" for o in baseline + treatment
        }
        assert found["latest"] == treatment[-1]["valueQuantity"], where
        check_slope(found, days, b)
        check_phases(found, a, b)
        check_error(found, code, a, b)
        check_projection(found, days, b)


def check_slope(found: dict[str, Any], days: list[int], b: list[float]) -> None:
    line = theilslopes(b, [day / 7 for day in days], 0.95)
    assert found["slope"] == pytest.approx(line.slope, rel=1e-6)
    if len(b) >= 4:
        assert found["slope-low"] == pytest.approx(line.low_slope, rel=1e-6)
        assert found["slope-high"] == pytest.approx(line.high_slope, rel=1e-6)
    tau = kendalltau(days, b).statistic
    assert found.get("tau", math.nan) == pytest.approx(tau, rel=1e-6, nan_ok=True)


def check_phases(found: dict[str, Any], a: list[float], b: list[float]) -> None:
    if len(a) >= 3 and statistics.stdev(a) > 0:
        assert found["band-low"] == pytest.approx(statistics.mean(a) - 2 * statistics.stdev(a))
        assert found["band-high"] == pytest.approx(statistics.mean(a) + 2 * statistics.stdev(a))
    else:
        assert "band-low" not in found
    if not a or "direction" not in found:
        assert "nap" not in found
        return
    sign = {"increase": 1, "decrease": -1}[found["direction"]]
    better = sum(sign * y > sign * x for x in a for y in b)
    ties = sum(x == y for x in a for y in b)
    nap = (better + ties / 2) / (len(a) * len(b))
    assert found["nap"] == pytest.approx(nap)
    trend = sum(
        (sign * y > sign * x) - (sign * y < sign * x) for n, x in enumerate(a) for y in a[n + 1 :]
    )
    worse = len(a) * len(b) - better - ties
    assert found["tau-u"] == pytest.approx((better - worse - trend) / (len(a) * len(b)))
    assert 0 <= found["nap-low"] <= nap <= found["nap-high"] <= 1


def check_error(found: dict[str, Any], code: str, a: list[float], b: list[float]) -> None:
    """Adams 2014: within-person variation 10.8 % at the front of the tongue."""
    if code != "tongue-pressure":
        assert "reliable-change" not in found
        return
    error = 0.108 * statistics.mean(a)
    index = (b[-1] - statistics.mean(a)) / (math.sqrt(2) * error)
    assert found["reliable-change"] == pytest.approx(index)
    detectable = 1.959963985 * math.sqrt(2) * error
    assert found["minimal-detectable-change"] == pytest.approx(detectable)


def check_projection(found: dict[str, Any], days: list[int], b: list[float]) -> None:
    if "target" not in found:
        assert "projected" not in found
        return
    sign = {"increase": 1, "decrease": -1}[found["direction"]]
    if sign * b[-1] >= sign * found["target"]:
        assert found["projected"] == date.fromordinal(days[-1]).isoformat()
        return
    line = theilslopes(b, days, 0.95)
    if "projected" in found:
        middle, value = statistics.median(days), statistics.median(b)
        day = middle + (found["target"] - value) / line.slope
        assert abs(date.fromisoformat(found["projected"]).toordinal() - day) <= 1
        assert days[-1] < day <= days[-1] + 2 * (days[-1] - days[0])


def test_goals_of_a_demo_client_recomputed(
    fhir: httpx.Client, clinic: Callable[[str], None]
) -> None:
    """T by the erratum of Turner-Stokes 2009 from the scores and weights that are told."""
    clinic("tobias-ashvale")
    found = ask(fhir, "tobias-ashvale-plan-lips")
    goals = only(found, "goal")
    assert [g["score"] for g in goals] == [0, 0, -1]
    assert [g["proposed-status"] for g in goals] == ["sustaining", "sustaining", "not-achieved"]
    (attained,) = only(found, "goal-attainment")
    for name, key in (("baseline", "baseline-score"), ("achieved", "score")):
        weights = [g["weight"] for g in goals]
        total = sum(w * g[key] for w, g in zip(weights, goals, strict=True))
        root = math.sqrt(0.7 * sum(w * w for w in weights) + 0.3 * sum(weights) ** 2)
        assert attained[name] == pytest.approx(50 + 10 * total / root)
    assert attained["change"] == pytest.approx(attained["achieved"] - attained["baseline"])
    left = measures(found)["lip-strength", "lip-corner-left"]
    assert left["target"] == 9
    assert "target" not in measures(found)["lip-strength", "lip-corner-right"]


def test_dose_and_responses_of_a_demo_client_recomputed(
    fhir: httpx.Client, clinic: Callable[[str], None]
) -> None:
    clinic("tobias-ashvale")
    found = ask(fhir, "tobias-ashvale-plan-lips")
    procedures = all_of(fhir, "Procedure?based-on=CarePlan/tobias-ashvale-plan-lips&_count=500")
    observed = all_of(fhir, "Observation?patient=tobias-ashvale&code=technique-response&_count=500")
    orders = all_of(fhir, "ServiceRequest?based-on=CarePlan/tobias-ashvale-plan-lips")
    answers = {o["partOf"][0]["reference"]: o for o in observed}
    doses = {d["technique"]["code"]: d for d in only(found, "dose")}
    responses = {r["technique"]["code"]: r for r in only(found, "technique-response")}
    techniques = {p["code"]["coding"][0]["code"] for p in procedures}
    assert set(doses) == techniques == set(responses)
    for technique in techniques:
        own = [p for p in procedures if p["code"]["coding"][0]["code"] == technique]
        done = [p for p in own if p["status"] == "completed"]
        dose = doses[technique]
        assert dose["delivered"] == len(done)
        ordered = sum(sessions(o) for o in orders if o["code"]["coding"][0]["code"] == technique)
        assert dose["ordered"] == ordered, technique
        assert dose["adherence"] == pytest.approx(100 * len(done) / ordered)
        assert dose.get("left") == strokes(done, "strokesLeft")
        assert dose.get("right") == strokes(done, "strokesRight")
        wanted = [answers[f"Procedure/{p['id']}"]["valueCodeableConcept"] for p in done]
        count = sum(w["coding"][0]["code"] == "wanted" for w in wanted)
        told = responses[technique]
        assert (told["sessions"], told["wanted"]) == (len(done), count)
        ends = binomtest(count, len(done)).proportion_ci(0.95, "wilson")
        assert told["share"] == pytest.approx(count / len(done))
        assert (told["share-low"], told["share-high"]) == pytest.approx((ends.low, ends.high))


def sessions(resource: Resource) -> int:
    """What an order that has ended asks for: every started week."""
    repeat = resource["occurrenceTiming"]["repeat"]
    ends = [date.fromisoformat(repeat["boundsPeriod"][end]) for end in ("start", "end")]
    weeks = math.ceil(((ends[1] - ends[0]).days + 1) / 7)
    found: int = repeat["frequency"] * weeks
    return found


def strokes(procedures: list[Resource], name: str) -> int | None:
    counts = [
        part["valueUnsignedInt"]
        for procedure in procedures
        for extension in procedure["extension"]
        for part in extension.get("extension", ())
        if part["url"] == name
    ]
    return sum(counts) if counts else None


def test_a_plan_that_worsens_is_told_so(fhir: httpx.Client, clinic: Callable[[str], None]) -> None:
    clinic("amos-wexcombe")
    found = ask(fhir, "amos-wexcombe-plan-swallow")
    told = {code: m["verdict"] for (code, _), m in measures(found).items()}
    assert told["eat-10-total"] == "worsening"
    assert told["oral-intake-level"] == "worsening"
    assert told["29463-7"] == "worsening"
    assert "improving" not in told.values()
    (attained,) = only(found, "goal-attainment")
    assert attained["change"] < -20
    warned = [p["valueString"] for p in found["parameter"] if p["name"] == "caution"]
    assert any("saturation fell by 3 points or more" in text for text in warned)
    assert all("licensed therapist" in text for text in warned)


def test_the_second_plan_has_its_own_baseline_and_treatment(
    fhir: httpx.Client, clinic: Callable[[str], None]
) -> None:
    clinic("marta-quillern")
    first = measures(ask(fhir, "marta-quillern-plan-trigger"))["swallow-delay", ""]
    second = measures(ask(fhir, "marta-quillern-plan-strength"))["swallow-delay", ""]
    assert (first["baseline-count"], second["baseline-count"]) == (4, 3)
    one = {r["reference"] for r in first["based-on"]}
    assert not one & {r["reference"] for r in second["based-on"]}
    assert first["verdict"] == second["verdict"] == "improving"


# ------------------------------------------------------------------------------ made-up courses


def test_two_sessions_are_too_few_and_still_an_answer(fhir: httpx.Client, name: str) -> None:
    put_all(fhir, [client(name), plan(name), *weekly(name, [4.0], [3.5])])
    found = measures(ask(fhir, name))["swallow-delay", ""]
    assert found["verdict"] == "too few data"
    assert (found["baseline-count"], found["treatment-count"]) == (1, 1)
    assert found["nap"] == 1
    assert not {"slope", "tau", "nap-low", "band-low", "projected"} & set(found)
    for word in ("slope", "tau", "band", "interval of NAP"):
        assert word in found["rule"]
    for form in ("bundle", "report"):
        assert ask(fhir, name, f"?format={form}")["resourceType"] != "Parameters"


def test_a_plan_with_nothing_at_all(fhir: httpx.Client, name: str) -> None:
    put_all(fhir, [client(name), plan(name, start=None)])
    found = ask(fhir, name)
    assert [p["name"] for p in found["parameter"]] == ["goal-attainment", "caution"]


def test_explicit_phase_wins_over_the_date(fhir: httpx.Client, name: str) -> None:
    observed = [
        measured(name, 1, START + timedelta(days=3), 4.0, phase="baseline"),
        measured(name, 2, START - timedelta(days=3), 3.0, phase="treatment"),
        measured(name, 3, START + timedelta(days=9), 3.0, phase="follow-up"),
        measured(name, 4, START + timedelta(days=10), 3.0),
        measured(name, 5, START - timedelta(days=300), 5.0, linked=False),
        measured(name, 6, START - timedelta(days=301), 5.0, phase="baseline", linked=False),
    ]
    put_all(fhir, [client(name), plan(name), *observed])
    found = measures(ask(fhir, name))["swallow-delay", ""]
    assert (found["baseline-count"], found["treatment-count"]) == (2, 2)
    longer = measures(ask(fhir, name, "?look-back=11"))["swallow-delay", ""]
    assert (longer["baseline-count"], longer["treatment-count"]) == (3, 2)
    shorter = measures(ask(fhir, name, "?look-back=1"))["swallow-delay", ""]
    assert (shorter["baseline-count"], shorter["treatment-count"]) == (1, 2)


def test_period_and_measure_narrow_the_answer(fhir: httpx.Client, name: str) -> None:
    observed = weekly(name, [5, 5, 5], [4, 4, 3, 3, 2])
    more = weekly(name, [20], [21, 22], code="tongue-pressure", unit="kPa")
    put_all(fhir, [client(name), plan(name), *observed, *more])
    day = (START + timedelta(days=15)).isoformat()
    found = ask(fhir, name, f"?period=/{day}&measure=swallow-delay")
    assert list(measures(found)) == [("swallow-delay", "")]
    assert measures(found)["swallow-delay", ""]["treatment-count"] == 3
    body = {
        "resourceType": "Parameters",
        "parameter": [
            {"name": "period", "valuePeriod": {"end": day}},
            {"name": "measure", "valueString": "swallow-delay"},
            {"name": "format", "valueCode": "parameters"},
            {"name": "look-back", "valueInteger": 6},
        ],
    }
    posted = fhir.post(f"CarePlan/{name}/$progress", json=body)
    assert posted.status_code == 200
    assert measures(posted.json())["swallow-delay", ""]["treatment-count"] == 3
    month = ask(fhir, name, "?period=2026-03")
    assert measures(month)["swallow-delay", ""]["treatment-count"] == 5
    never = measures(ask(fhir, name, "?measure=phonation-time"))["phonation-time", ""]
    assert (never["treatment-count"], never["verdict"]) == (0, "too few data")


@pytest.mark.parametrize(
    "query",
    [
        "colour=blue",
        "format=pdf",
        "format=",
        "period=yesterday",
        "period=2026-05-01/2026-04-01",
        "period=2026&period=2027",
        "look-back=-1",
        "look-back=1.5",
        "look-back=99999",
        "measure=no-such-measure",
        "measure=",
        "measure=http://loinc.org|",
    ],
)
def test_what_is_not_understood_is_refused(fhir: httpx.Client, name: str, query: str) -> None:
    put_all(fhir, [client(name), plan(name)])
    answer = fhir.get(f"CarePlan/{name}/$progress?{query}")
    assert answer.status_code == 400, answer.text
    assert answer.json()["resourceType"] == "OperationOutcome"


def test_no_plan_a_deleted_plan_and_a_plan_of_a_group(fhir: httpx.Client, name: str) -> None:
    assert fhir.get(f"CarePlan/{name}/$progress").status_code == 404
    put_all(fhir, [client(name), plan(name)])
    assert fhir.head(f"CarePlan/{name}/$progress").status_code == 200
    assert fhir.put(f"CarePlan/{name}/$progress", json={}).status_code == 405
    fhir.delete(f"CarePlan/{name}").raise_for_status()
    assert fhir.get(f"CarePlan/{name}/$progress").status_code == 410
    group = {"resourceType": "Group", "id": name, "type": "person", "actual": True}
    put_all(fhir, [group, plan(f"{name}-g", subject={"reference": f"Group/{name}"})])
    refused = fhir.get(f"CarePlan/{name}-g/$progress")
    assert refused.status_code == 400
    assert refused.json()["issue"][0]["expression"] == ["CarePlan.subject"]


def test_the_last_value_keeps_its_decimals(fhir: httpx.Client, name: str) -> None:
    last = measured(name, 9, START + timedelta(days=40), 0) | {"valueQuantity": None}
    text = '{"value": 2.50, "unit": "s", "system": "http://unitsofmeasure.org", "code": "s"}'
    put_all(fhir, [client(name), plan(name), *weekly(name, [4.0], [3.5])])
    raw = httpx.Response(200, json=last).text.replace("null", text)
    headers = {"Content-Type": "application/fhir+json"}
    fhir.put(f"Observation/{last['id']}", content=raw, headers=headers).raise_for_status()
    answer = fhir.get(f"CarePlan/{name}/$progress").text
    assert '"name":"latest","valueQuantity":{"value":2.50,' in answer


def test_units_are_converted_before_anything_is_computed(fhir: httpx.Client, name: str) -> None:
    observed = weekly(name, [20, 21, 22], [24, 25, 26, 27], code="tongue-pressure", unit="kPa")
    observed[-1]["valueQuantity"] = quantity(27000, "Pa")
    observed[0]["valueQuantity"] = quantity(150.0123, "mm[Hg]")
    put_all(fhir, [client(name), plan(name), *observed])
    found = measures(ask(fhir, name))["tongue-pressure", ""]
    assert found["unit"] == "kPa"
    assert found["latest"]["value"] == 27
    assert found["slope"] == pytest.approx(1.0)
    assert found["band-low"] < 22 < found["band-high"]


def test_norms_need_the_type_of_the_device(fhir: httpx.Client, name: str) -> None:
    """Jeong 2017: men of 60 and more 35.2 kPa; 25 kPa is 71.0227 %."""
    kind = concept("measuring-device", "tongue-bulb-1")
    bulb = {"resourceType": "Device", "id": f"bulb-{name}", "type": kind}
    with_device = {"device": {"reference": f"Device/bulb-{name}"}}
    observed = weekly(name, [20], [25.0], code="tongue-pressure", unit="kPa", **with_device)
    put_all(fhir, [bulb, client(name), plan(name), *observed])
    found = measures(ask(fhir, name))["tongue-pressure", ""]
    assert found["percent-of-norm"] == pytest.approx(71.0227, abs=5e-5)
    assert "Jeong" in found["norm"]


def test_goals_and_a_therapists_entry(fhir: httpx.Client, name: str) -> None:
    observed = weekly(name, [4.0, 4.2, 4.1], [3.9, 3.6, 3.0, 2.9, 2.8])
    entry = measured(name, 50, START + timedelta(days=30), 0, code="score") | {
        "code": {"coding": [{"system": "http://loinc.org", "code": "107333-7"}]},
        "focus": [{"reference": f"Goal/{name}-goal-2"}],
        "valueCodeableConcept": {"coding": [{"system": "http://loinc.org", "code": "LA34479-8"}]},
    }
    del entry["valueQuantity"]
    goals = [
        goal(name, "swallow-delay", "s", high=3.0),
        goal(name, "tongue-pressure", "kPa", number=2, low=30.0),
    ]
    own = plan(name, goal=[{"reference": f"Goal/{g['id']}"} for g in goals])
    put_all(fhir, [client(name), *goals, own, *observed, entry])
    found = ask(fhir, name)
    one, two = only(found, "goal")
    assert (one["score"], one["baseline-score"], one["proposed-status"]) == (0, -1, "achieved")
    assert (two["score"], two["proposed-status"]) == (2, "achieved")
    assert {"reference": f"Observation/{entry['id']}"} in two["based-on"]
    (attained,) = only(found, "goal-attainment")
    assert (attained["baseline"], attained["achieved"]) == (40, 50)
    assert "1 of 2 goals left out" in attained["rule"]
    stored = fhir.get(f"Goal/{goals[0]['id']}").json()
    assert "achievementStatus" not in stored


def test_dose_with_reasons_in_the_answer(fhir: httpx.Client, name: str) -> None:
    orders = [order(name, COLD, START, START + timedelta(days=20))]
    procedures = [delivered(name, n, COLD, START + timedelta(days=3 * n)) for n in range(4)]
    procedures.append(delivered(name, 9, COLD, START + timedelta(days=15), reason="illness"))
    answers = [response(name, n, COLD, START + timedelta(days=3 * n), "wanted") for n in range(4)]
    put_all(fhir, [client(name), plan(name), *orders, *procedures, *answers])
    found = ask(fhir, name)
    (dose,) = [p for p in found["parameter"] if p["name"] == "dose"]
    wanted = {"ordered": 6, "delivered": 4, "left": 60, "right": 60}
    assert wanted.items() <= {k: v for k, v in read(dose).items() if k in wanted}.items()
    (missed,) = [part for part in dose["part"] if part["name"] == "missed"]
    assert missed["part"][0]["valueCoding"]["code"] == "illness"
    assert sum(part["name"] == "week" for part in dose["part"]) == 3


def test_others_are_neither_read_nor_shown(fhir: httpx.Client, name: str) -> None:
    other = f"{name}-o"
    put_all(fhir, [client(name), plan(name), *weekly(name, [4, 4, 4], [3, 3, 3, 3, 3])])
    before = ask(fhir, name)
    put_all(fhir, [client(other), plan(other), *weekly(other, [9, 9, 9], [8, 8, 8, 8, 8])])
    assert ask(fhir, name) == before


def test_in_a_batch(fhir: httpx.Client, name: str) -> None:
    put_all(fhir, [client(name), plan(name), *weekly(name, [4.0], [3.5])])
    request = {"method": "GET", "url": f"CarePlan/{name}/$progress"}
    bundle = {"resourceType": "Bundle", "type": "batch", "entry": [{"request": request}]}
    (entry,) = fhir.post("", json=bundle).raise_for_status().json()["entry"]
    assert entry["resource"] == ask(fhir, name)


def test_a_caller_sees_only_the_plans_of_own_clients(store: Store) -> None:
    with store.write(ANONYMOUS) as unit:
        for resource in [client("p1"), plan("p1"), *weekly("p1", [4, 4, 4], [3, 3, 2, 2, 2])]:
            unit.append(resource, resource["id"], "http://x/fhir", method="PUT", current=None)
    service = Service(store, Settings(database="sqlite:///unused"), b"")

    def status(clients: frozenset[str] | None) -> int:
        caller = Caller("someone", ANONYMOUS.scopes, clients)
        path = ("CarePlan", "p1", "$progress")
        call = Call("GET", path, (), {}, b"", "http://x/fhir", caller, store.reader)
        return show_progress(service, call, Interaction("operation", *path)).status

    assert status(None) == status(frozenset({"c-p1"})) == 200
    for clients in (frozenset[str](), frozenset({"c-other"})):
        with pytest.raises((NotFound, Gone)):
            status(clients)
