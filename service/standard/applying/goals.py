"""What goals does a PlanDefinition set for this client, and which problems do they address?

R4: PlanDefinition.goal, Goal. A due time becomes a date counted from the day of applying.
"""

from __future__ import annotations

import calendar
import copy
from collections.abc import Iterable
from datetime import date, timedelta
from typing import Any

from service.standard.applying.context import Context

Resource = dict[str, Any]


def goal_of(element: Resource, context: Context) -> Resource:
    """The Goal, proposed, without an id."""
    goal: Resource = {"resourceType": "Goal", "lifecycleStatus": "proposed"}
    if "category" in element:
        goal["category"] = [element["category"]]
    goal |= {name: element[name] for name in ("priority", "description") if name in element}
    goal["subject"] = context.whose()["subject"]
    if "start" in element:
        goal["startCodeableConcept"] = element["start"]
    targets = [_target(target, context.today) for target in element.get("target", ())]
    if targets:
        goal["target"] = targets
    goal["statusDate"] = context.today.isoformat()
    addressed = conditions_for(element.get("addresses", ()), context)
    if addressed:
        goal["addresses"] = addressed
    return copy.deepcopy(goal)


def conditions_for(concepts: Iterable[Resource], context: Context) -> list[Resource]:
    """References to the client's Conditions that have one of these codes."""
    wanted = {code for concept in concepts for code in _codes(concept)}
    return [
        {"reference": f"Condition/{condition['id']}"}
        for condition in context.conditions
        if wanted & _codes(condition.get("code", {}))
    ]


def day_after(start: date, duration: Resource) -> date | None:
    """The day that lies a Duration after `start`; None where its unit is none of a calendar."""
    try:
        count = int(duration["value"])
        match duration.get("code"):
            case "d":
                return start + timedelta(days=count)
            case "wk":
                return start + timedelta(weeks=count)
            case "mo":
                return _months_after(start, count)
            case "a":
                return _months_after(start, 12 * count)
    except (KeyError, OverflowError, ValueError):
        return None
    return None


def _months_after(start: date, months: int) -> date:
    years, month = divmod(start.month - 1 + months, 12)
    year = start.year + years
    last = calendar.monthrange(year, month + 1)[1]
    return date(year, month + 1, min(start.day, last))


def _target(target: Resource, today: date) -> Resource:
    found = {
        name: value
        for name, value in target.items()
        if name == "measure" or name.startswith("detail") or name == "extension"
    }
    due = target.get("due")
    if due:
        day = day_after(today, due)
        found |= {"dueDate": day.isoformat()} if day else {"dueDuration": due}
    return found


def _codes(concept: Resource) -> set[tuple[str, str]]:
    codings = concept.get("coding", ())
    return {(each.get("system", ""), each["code"]) for each in codings if "code" in each}
