"""What should be looked at before the next session? Warnings, each left to the therapist.

Nothing here says that something is safe. Flags and detected issues as they are recorded, and what
the numbers of the plan themselves warn of.
"""

from __future__ import annotations

import statistics
from collections.abc import Iterable, Sequence
from typing import Any

from service.therapy.change.series import Change
from service.therapy.course.dose import TechniqueDose
from service.therapy.course.responses import TechniqueResponse
from service.therapy.course.sessions import WithinSession
from service.therapy.facts import facts
from service.therapy.quantities import shown, shown_unit
from service.therapy.references import TECHNIQUES, label, target, words

Resource = dict[str, Any]

DEFER = "Defer to local rules and the licensed therapist."
_WRONG = frozenset({"entered-in-error", "cancelled"})


def recorded(flags: Iterable[Resource], issues: Iterable[Resource], plan: str) -> list[str]:
    """Active flags of the client, and issues that implicate the plan or nothing in particular."""
    found = [words(flag.get("code")) for flag in flags if flag.get("status") == "active"]
    for issue in issues:
        implicated = [target(reference) for reference in issue.get("implicated", ())]
        if issue.get("status") not in _WRONG and (plan in implicated or not implicated):
            found.append(issue.get("detail") or words(issue.get("code")))
    return [deferred(text) for text in found if text]


def from_change(changes: Iterable[Change]) -> list[str]:
    """Measures that get worse, with their levels before and during the plan."""
    return [
        deferred(f"Worsening: {named(change)}{_levels(change)}.")
        for change in changes
        if change.verdict == "worsening"
    ]


def from_sessions(moved: Iterable[WithinSession]) -> list[str]:
    """Sessions of treatment in which a value (oxygen saturation) fell."""
    return [
        deferred(
            f"{one.measure.name} fell by {one.fall} points or more in {one.falls} of"
            f" {one.sessions} sessions."
        )
        for one in moved
        if one.falls
    ]


def from_responses(responses: Iterable[TechniqueResponse]) -> list[str]:
    """Techniques with too few sessions to tell."""
    return [
        f"{label(response.technique)}: only {response.sessions} sessions with a recorded"
        " response; the share says little yet."
        for response in responses
        if response.is_few
    ]


def from_doses(doses: Sequence[TechniqueDose]) -> list[str]:
    """Weeks with more than the highest dose that was studied."""
    found = []
    for dose in doses:
        tops = [
            row["high"]
            for row in facts("doses")["doses"]
            if dose.key == (TECHNIQUES, row["technique"]) and row["per"] == "week"
        ]
        trials = next((a.given for a in dose.amounts if a.kind == "trials"), None)
        weeks = sum(1 for week in dose.weeks if week.given)
        if tops and trials is not None and weeks and trials / weeks > max(tops):
            found.append(
                deferred(
                    f"{label(dose.technique)}: {trials / weeks:.0f} trials a week, more than the"
                    f" {max(tops)} of the largest dose that was studied."
                )
            )
    return found


def _levels(change: Change) -> str:
    """The medians of both phases and the last value, so that a small change is seen to be one."""
    if not change.baseline or not change.treatment:
        return ""
    before, during = (
        shown(statistics.median(value.number for value in values), 4)
        for values in (change.baseline, change.treatment)
    )
    last = f"{shown(change.treatment[-1].number, 4)} {shown_unit(change.unit)}".strip()
    return f" (median at baseline {before}, in treatment {during}; last value {last})"


def named(change: Change) -> str:
    """Measure and site of a change."""
    return change.measure.name + (f", {label(change.site)}" if change.site else "")


def deferred(text: str) -> str:
    """The text, leaving the decision where it belongs."""
    stripped = text.strip()
    if "licensed therapist" in stripped:
        return stripped
    return f"{stripped.rstrip('.')}. {DEFER}"
