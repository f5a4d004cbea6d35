"""A therapist's review: the plans of a client, how they changed, what was done, and did it help?

    python examples/therapist_review.py [http://127.0.0.1:8000/fhir] [client number]

Reads only. The numbers are for the therapist to judge; a slope is not a verdict.
Slope: Theil-Sen, the median of all pairwise slopes (Sen 1968).

http://hl7.org/fhir/R4/search.html, http://hl7.org/fhir/R4/http.html#history
"""

from __future__ import annotations

import sys
from collections import Counter, defaultdict
from datetime import date
from itertools import combinations
from statistics import median
from typing import Any

import httpx
from rich.console import Console
from rich.table import Table

Json = dict[str, Any]

CLIENT_NUMBERS = "https://juniper-bend.example/ids/client"
RESPONSES = "https://hyoid.example/fhir/CodeSystem/measure|technique-response"


class DisagreementError(Exception):
    """Two ways of asking gave two answers."""


def search(http: httpx.Client, path: str, **params: Any) -> list[Json]:
    """All resources that a search gives, page by page."""
    found: list[Json] = []
    answer = http.get(path, params={"_count": 200} | params)
    while True:
        answer.raise_for_status()
        bundle = answer.json()
        found += [item["resource"] for item in bundle.get("entry", [])]
        following = [link["url"] for link in bundle.get("link", []) if link["relation"] == "next"]
        if not following:
            return found
        answer = http.get(following[0])


def of_type(resources: list[Json], resource_type: str) -> list[Json]:
    return [r for r in resources if r["resourceType"] == resource_type]


def client(http: httpx.Client, number: str) -> Json:
    """The one client with this number of the clinic."""
    found = search(http, "Patient", identifier=f"{CLIENT_NUMBERS}|{number}")
    if len(found) != 1:
        raise DisagreementError(f"{len(found)} clients have the number {number}")
    return found[0]


def words(concept: Json) -> str:
    """The text of a CodeableConcept, or the display of a coding."""
    displays = (coding.get("display", coding["code"]) for coding in concept.get("coding", []))
    return str(concept.get("text") or next(displays, "?"))


def show_goals(console: Console, goals: list[Json]) -> None:
    table = Table("Goal", "Due", "State", "Achievement")
    for goal in goals:
        achieved = words(goal.get("achievementStatus", {}))
        due = goal.get("target", [{}])[0].get("dueDate", "")
        table.add_row(goal["description"]["text"], due, goal["lifecycleStatus"], achieved)
    console.print(table)


def show_history(http: httpx.Client, console: Console, plan: Json) -> None:
    """The versions of a plan, oldest first; the newest must be the one that a read gives."""
    versions = search(http, f"CarePlan/{plan['id']}/_history")
    current = http.get(f"CarePlan/{plan['id']}").json()
    if versions[0] != current:
        raise DisagreementError(
            f"the newest version of CarePlan/{plan['id']} is not the current one"
        )
    table = Table("Version", "Status", "Orders", "Last note")
    for version in reversed(versions):
        note = version.get("note", [{}])[-1]
        table.add_row(
            version["meta"]["versionId"],
            version["status"],
            str(len(version.get("activity", []))),
            f"{note.get('time', '')} {note.get('text', '')}",
        )
    console.print(table)


def show_delivered(http: httpx.Client, console: Console, plan: Json, orders: list[Json]) -> int:
    """What was done under a plan, order by order; gives the number of sessions."""
    target = f"CarePlan/{plan['id']}"
    found = search(http, "Procedure", **{"based-on": target, "_include": "Procedure:encounter"})
    encounters = {f"Encounter/{e['id']}": e for e in of_type(found, "Encounter")}
    answers = search(http, "Observation", **{"based-on": target, "code": RESPONSES})
    answer_of = {a["partOf"][0]["reference"]: words(a["valueCodeableConcept"]) for a in answers}
    done: dict[str, Counter[str]] = defaultdict(Counter)
    wanted: dict[str, Counter[str]] = defaultdict(Counter)
    for procedure in of_type(found, "Procedure"):
        if procedure["encounter"]["reference"] not in encounters:
            raise DisagreementError(f"Procedure/{procedure['id']} came without its session")
        order = procedure["basedOn"][0]["reference"]
        done[order][procedure["status"]] += 1
        if procedure["status"] == "completed":
            wanted[order][answer_of[f"Procedure/{procedure['id']}"]] += 1
    table = Table("Ordered technique", "a week", "Given", "Left out", "Answers")
    for order in orders:
        key = f"ServiceRequest/{order['id']}"
        often = order.get("occurrenceTiming", {}).get("repeat", {}).get("frequency", "")
        answered = ", ".join(f"{count} {text}" for text, count in wanted[key].most_common())
        given, left = done[key]["completed"], done[key]["not-done"]
        table.add_row(words(order["code"]), str(often), str(given), str(left), answered)
    console.print(table)
    return sum(encounter["status"] == "finished" for encounter in encounters.values())


def slope_per_week(points: list[tuple[date, float]]) -> float | None:
    """The median slope over all pairs of different days."""
    slopes = [
        (b[1] - a[1]) * 7 / (b[0] - a[0]).days for a, b in combinations(points, 2) if a[0] != b[0]
    ]
    return median(slopes) if slopes else None


def show_measures(http: httpx.Client, console: Console, patient: str) -> None:
    """First and last value and slope of every measure; the last must be what a search gives."""
    kinds = "exam,survey,vital-signs,activity"
    found = search(http, "Observation", patient=patient, category=kinds, _sort="date")
    series: dict[tuple[str, str], list[tuple[date, float]]] = defaultdict(list)
    unit: dict[tuple[str, str], str] = {}
    newest: dict[str, Json] = {}
    for observation in found:
        if "valueQuantity" not in observation:
            continue
        key = (words(observation["code"]), words(observation.get("bodySite", {"text": "-"})))
        when = observation.get("effectiveDateTime") or observation["effectivePeriod"]["start"]
        value = observation["valueQuantity"]
        series[key].append((date.fromisoformat(when[:10]), value["value"]))
        unit[key] = value["unit"]
        coding = observation["code"]["coding"][0]
        newest[f"{coding['system']}|{coding['code']}"] = observation
    table = Table("Measure", "Where", "n", "First", "Last", "Unit", "a week")
    for key, points in sorted(series.items()):
        if points != sorted(points, key=lambda point: point[0]):
            raise DisagreementError(f"{key[0]} did not come in the order of its dates")
        slope = slope_per_week(points)
        slope_text = "" if slope is None else f"{slope:+.2f}"
        first, last = str(points[0][1]), str(points[-1][1])
        table.add_row(*key, str(len(points)), first, last, unit[key], slope_text)
    console.print(table)
    for code, observation in newest.items():
        latest = search_first(http, patient, code)
        if latest.get("effectiveDateTime") != observation.get("effectiveDateTime"):
            raise DisagreementError(f"the last {code} is not the last one in the order of dates")


def search_first(http: httpx.Client, patient: str, code: str) -> Json:
    """The newest observation of a code."""
    params = {"patient": patient, "code": code, "_sort": "-date", "_count": "1"}
    answer = http.get("Observation", params=params)
    answer.raise_for_status()
    resource: Json = answer.json()["entry"][0]["resource"]
    return resource


def review(http: httpx.Client, console: Console, number: str) -> None:
    """Everything about one client, plan by plan."""
    patient = client(http, number)
    name = patient["name"][0]
    console.rule(f"{' '.join(name['given'])} {name['family']} ({number})")
    include = ["CarePlan:goal", "CarePlan:activity-reference"]
    found = search(http, "CarePlan", patient=patient["id"], _sort="date", _include=include)
    for plan in of_type(found, "CarePlan"):
        goals = {item["reference"] for item in plan.get("goal", [])}
        orders = {item["reference"]["reference"] for item in plan.get("activity", [])}
        dates = f"{plan['period']['start']} to {plan['period']['end']}"
        console.print(f"[bold]{plan['title']}[/bold], {plan['status']}, {dates}")
        show_goals(console, [g for g in of_type(found, "Goal") if f"Goal/{g['id']}" in goals])
        show_history(http, console, plan)
        ordered = of_type(found, "ServiceRequest")
        held = [o for o in ordered if f"ServiceRequest/{o['id']}" in orders]
        sessions = show_delivered(http, console, plan, held)
        console.print(f"{sessions} sessions under this plan\n")
    show_measures(http, console, patient["id"])


def main(base: str = "http://127.0.0.1:8000/fhir", number: str = "C-1041") -> int:
    console = Console()
    headers = {"Accept": "application/fhir+json"}
    with httpx.Client(base_url=base, headers=headers, timeout=30) as http:
        try:
            review(http, console, number)
        except (DisagreementError, httpx.HTTPError) as problem:
            console.print(f"DISAGREEMENT: {problem}")
            return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:3]))
