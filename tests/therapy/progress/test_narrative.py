"""Does the narrative say what a therapist has to know to judge it? Read as text, by section."""

from __future__ import annotations

import statistics
from datetime import timedelta
from typing import Any

from lxml import etree

from service.rest.conversion import convert
from service.therapy.course.course import Course, Material, Question, read_course
from service.therapy.moments import iso
from service.therapy.progress.answer import measuring_devices, progress_of
from service.therapy.progress.report import report
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

Resource = dict[str, Any]

TODAY = (START + timedelta(weeks=20)).toordinal()
COLD = "faucial-cold-strokes"


def course(
    observations: list[Resource], *, goals: tuple[Resource, ...] = (), **more: Any
) -> Course:
    """The course of the plan p1 with these Observations."""
    own = plan(goal=[{"reference": f"Goal/{each['id']}"} for each in goals], **more)
    days = [START + timedelta(days=3 * n) for n in range(9)]
    procedures = [delivered("p1", n, COLD, day) for n, day in enumerate(days)]
    requests = [order("p1", COLD, START, START + timedelta(weeks=5))]
    material = Material(own, [], requests, procedures, goals)
    return read_course(material, Question(TODAY), [(o, o) for o in observations], convert)


def text(found: Course) -> str:
    """The narrative, a line for each row and each item."""
    div = report(progress_of(found, convert, client()), "2026-11-25T10:00:00Z")["text"]["div"]
    lines = (
        " | ".join("".join(cell.itertext()) for cell in row) if row.tag.endswith("tr") else row.text
        for row in etree.fromstring(div).iter("{*}tr", "{*}li", "{*}p", "{*}h3")
    )
    return "\n".join(str(line) for line in lines)


def test_a_target_ahead_is_told_with_its_dates() -> None:
    """One second less in two weeks: from 4.0 in week 6, 2.0 would be reached in week 10."""
    values = weekly("p1", [5.0, 5.1, 4.9], [7 - 0.5 * n for n in range(7)])
    found = text(course(values, goals=(goal("p1", "swallow-delay", "s", high=2.0),)))
    day = START.toordinal() + 1 + 70
    assert f"If the line went on, it would reach the target of 2 s on {iso(day)}" in found
    met = text(course(values, goals=(goal("p1", "swallow-delay", "s", high=4.0),)))
    assert "If the line went on" not in met
    assert "The target is met by the last value" in met


def test_a_warning_of_worsening_shows_how_much_it_is() -> None:
    before, during = [3.0, 3.1, 2.9, 3.0], [3.4, 3.6, 3.9, 4.1, 4.3, 4.6]
    found = text(course(weekly("p1", before, during)))
    levels = f"{statistics.median(before):g}, in treatment {statistics.median(during):g}"
    assert f"Worsening: Swallow delay (median at baseline {levels}; last value 4.6 s)." in found
    assert "Swallow delay | decrease | 3 s | 4 | 6 | 4.6 s" in found


def test_measures_whose_names_hold_commas_are_told_apart() -> None:
    lips = [
        each | {"bodySite": concept("oral-region", "lip-corner-left")}
        for each in weekly("p1", [4, 5, 4, 5], [7, 8, 8, 9, 10], code="lip-strength", unit="kPa")
    ]
    other = weekly("p1", [4, 5, 4, 5], [3, 2, 2, 2, 1])
    named = "Improving: Maximum lip strength, lip-corner-left; Swallow delay."
    assert named in text(course([*lips, *other]))


def test_wanted_trials_stand_beside_wanted_sessions() -> None:
    """Half of the trials are wanted in every session, which makes no session a wanted one."""
    answers = []
    for number in range(9):
        day = START + timedelta(days=3 * number)
        answer = response("p1", number, COLD, day, "partial")
        answer["component"] = [
            {"code": concept("measure", code), "valueQuantity": quantity(count, "{count}")}
            for code, count in (("trials", 10), ("wanted-trials", 5))
        ]
        answers.append(answer)
    found = text(course(answers))
    assert "| 9 | 0 | 0 (0 to 0.299) | 0 | 0 | 45 of 90" in found
    assert "in four of five trials or more" in found


def test_what_was_measured_after_the_plan_is_not_beside_it() -> None:
    """Follow-up values neither make the sides of this plan nor choose its device."""
    end = START + timedelta(weeks=8)

    def lips(number: int, weeks: int, side: str, kpa: float, device: str) -> Resource:
        found = measured(
            "p1", number, START + timedelta(weeks=weeks), kpa, code="lip-strength", unit="kPa"
        )
        del found["basedOn"]
        return found | {
            "bodySite": concept("oral-region", f"lip-corner-{side}"),
            "device": {"reference": f"Device/{device}"},
            "encounter": {"reference": f"Encounter/{weeks}"},
        }

    values = [
        lips(1, 2, "left", 6, "ours"),
        lips(2, 2, "right", 12, "ours"),
        lips(3, 12, "left", 12, "later"),
        lips(4, 12, "right", 12, "later"),
    ]
    period = {"start": START.isoformat(), "end": end.isoformat()}
    found = course(values, period=period)
    assert measuring_devices(found) == {"Device/ours"}
    assert "left 6, right 12 kPa" in text(found)
    assert "the weaker side has 50 %" in text(found)
