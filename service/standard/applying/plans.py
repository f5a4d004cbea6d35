"""What goals and orders does a PlanDefinition come to for this client?

R4: PlanDefinition/$apply, and PlanDefinition, section Applying. For each action: its applicability
conditions; then the group, or what its definition asks for: an ActivityDefinition becomes a
request, a PlanDefinition within a plan a group of its actions, anything else a Task. What was left
out is told, with the reason the definition gives.
"""

from __future__ import annotations

import copy
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from service.errors import NotSupported, TooCostly
from service.standard.applying.activities import (
    apply_activity,
    carried_extensions,
    occurrence,
    set_values,
)
from service.standard.applying.context import Context, canonical_of
from service.standard.applying.expressions import is_true
from service.standard.applying.goals import conditions_for, goal_of

Resource = dict[str, Any]

MOST_ACTIONS = 200
DEEPEST = 8

_KEPT = (
    "id",
    "prefix",
    "title",
    "description",
    "textEquivalent",
    "priority",
    "code",
    "documentation",
    "relatedAction",
    "timingDateTime",
    "timingAge",
    "timingPeriod",
    "timingDuration",
    "timingRange",
    "timingTiming",
    "type",
    "groupingBehavior",
    "selectionBehavior",
    "requiredBehavior",
    "precheckBehavior",
    "cardinalityBehavior",
)
"""What an action of a RequestGroup takes from that of the PlanDefinition as it is."""


@dataclass(slots=True)
class Action:
    """An applicable action: the elements it keeps, and its request or its own actions.

    `goals` are positions in the goals of `Applied`.
    """

    kept: Resource
    request: Resource | None = None
    goals: tuple[int, ...] = ()
    actions: list[Action] = field(default_factory=list)

    def walk(self) -> Iterator[Action]:
        """This action and all within it."""
        yield self
        for action in self.actions:
            yield from action.walk()


@dataclass(slots=True)
class Applied:
    """A plan as it comes out for one client; `left_out` tells what is not for this one, and why."""

    care_plan: Resource
    goals: list[Resource] = field(default_factory=list)
    actions: list[Action] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)

    def steps(self) -> list[Action]:
        """The actions that have a request, in their order."""
        return [each for top in self.actions for each in top.walk() if each.request is not None]

    def requests(self) -> list[Resource]:
        """What is asked for."""
        return [each.request for each in self.steps() if each.request is not None]


def apply_plan(definition: Resource, context: Context) -> Applied:
    """The plan for this client.

    Raises NotSupported for definitions that are not held and expressions in other languages,
    Invalid for expressions that cannot be read, TooCostly for more than MOST_ACTIONS actions and
    for expressions that do or make too much together.
    """
    applied = Applied(_care_plan(definition, context))
    maker = _Maker(context, applied)
    applied.actions = maker.actions_of(definition, "PlanDefinition", 0)
    return applied


class _Maker:
    def __init__(self, context: Context, applied: Applied) -> None:
        self._context = context
        self._applied = applied
        self._seen = 0

    def actions_of(self, definition: Resource, where: str, depth: int) -> list[Action]:
        """The applicable actions of a plan, whose goals are added to those there are."""
        places: dict[str, int] = {}
        for goal in definition.get("goal", ()):
            places[goal.get("id", "")] = len(self._applied.goals)
            self._applied.goals.append(goal_of(goal, self._context))
        return self._all(definition.get("action", ()), places, f"{where}.action", depth)

    def _all(
        self, actions: list[Resource], places: dict[str, int], where: str, depth: int
    ) -> list[Action]:
        if depth > DEEPEST:
            raise TooCostly(f"Actions are nested deeper than {DEEPEST}", expression=where)
        made = [
            self._one(action, places, f"{where}[{index}]", depth)
            for index, action in enumerate(actions)
        ]
        found = [each for each in made if each is not None]
        here = {each.kept["id"] for each in found if "id" in each.kept}
        for each in found:
            _keep_related(each.kept, here)
        return found

    def _one(
        self, action: Resource, places: dict[str, int], where: str, depth: int
    ) -> Action | None:
        self._seen += 1
        if self._seen > MOST_ACTIONS:
            raise TooCostly(f"A plan with more than {MOST_ACTIONS} actions", expression=where)
        if not self._applies(action, where):
            return None
        if "transform" in action:
            raise NotSupported("Transforms are not run here", expression=f"{where}.transform")
        goals = tuple(places[each] for each in action.get("goalId", ()) if each in places)
        made = Action(_kept(action), goals=goals)
        if "action" in action:
            made.actions = self._all(action["action"], places, f"{where}.action", depth + 1)
        elif not self._define(made, action, where, depth):
            return None
        if made.request is None and not made.actions:
            return None
        return made

    def _applies(self, action: Resource, where: str) -> bool:
        for index, condition in enumerate(action.get("condition", ())):
            if condition.get("kind") != "applicability":
                continue
            expression = condition.get("expression", {})
            place = f"{where}.condition[{index}].expression"
            context = self._context
            names, budget = context.names(), context.budget
            if not is_true(expression, context.subject, names, budget, place):
                title = action.get("title") or action.get("id") or "an action"
                reason = expression.get("description") or expression.get("expression")
                self._applied.left_out.append(f"{title}: only where {reason}")
                return False
        return True

    def _define(self, made: Action, action: Resource, where: str, depth: int) -> bool:
        """Give the action what its definition asks for; False where that is nothing."""
        canonical = action.get("definitionCanonical")
        place = f"{where}.definitionCanonical"
        definition = self._context.definition(canonical, place) if canonical else None
        kind = (definition or {}).get("resourceType")
        if definition is not None and kind == "PlanDefinition":
            made.actions = self.actions_of(definition, "PlanDefinition", depth + 1)
            return bool(made.actions)
        if definition is not None and kind == "ActivityDefinition":
            request = apply_activity(definition, self._context)
        else:
            request = self._task(action, definition)
        self._override(request, action)
        set_values(request, action, self._context, f"{where}.dynamicValue", made.kept)
        made.request = request
        return True

    def _task(self, action: Resource, definition: Resource | None) -> Resource:
        """What is to be done where no ActivityDefinition says it."""
        described = {"kind": "Task", "title": action.get("title", "")}
        text = action.get("description") or action.get("textEquivalent") or action.get("title")
        described |= {"description": text} if text else {}
        if action.get("code"):
            described["code"] = action["code"][0]
        url = definition.get("url") if definition else action.get("definitionUri")
        described |= {"url": url} if url else {}
        return apply_activity(described, self._context)

    def _override(self, request: Resource, action: Resource) -> None:
        """What the action says comes before what the activity says."""
        own = carried_extensions(action, self._context)
        if own:
            replaced = {each["url"] for each in own}
            rest = [e for e in request.get("extension", ()) if e["url"] not in replaced]
            request["extension"] = copy.deepcopy([*own, *rest])
        if "priority" in action:
            request["priority"] = action["priority"]
        if request["resourceType"] == "ServiceRequest":
            timing = occurrence(action)
            if timing:
                for name in [name for name in request if name.startswith("occurrence")]:
                    del request[name]
                request |= copy.deepcopy(timing)
            if "reason" in action:
                request["reasonCode"] = copy.deepcopy(action["reason"])
        if "description" in action and request["resourceType"] == "ServiceRequest":
            request["note"] = [{"text": action["description"]}, *request.get("note", ())]


def _kept(action: Resource) -> Resource:
    kept = {name: action[name] for name in _KEPT if name in action}
    carried = [c for c in action.get("condition", ()) if c.get("kind") in ("start", "stop")]
    if carried:
        kept["condition"] = carried
    return copy.deepcopy(kept)


def _keep_related(kept: Resource, here: set[str]) -> None:
    """Relations to actions that are not there any more go with them."""
    related = [each for each in kept.pop("relatedAction", ()) if each.get("actionId") in here]
    if related:
        kept["relatedAction"] = related


def _care_plan(definition: Resource, context: Context) -> Resource:
    plan: Resource = {"resourceType": "CarePlan"}
    canonical = canonical_of(definition)
    if canonical:
        plan["instantiatesCanonical"] = [canonical]
    plan |= {"status": "draft", "intent": "proposal"}
    plan |= context.plan_defaults
    plan |= {name: definition[name] for name in ("title", "description") if name in definition}
    plan |= context.whose()
    plan["created"] = context.today.isoformat()
    asker = context.asker()
    if asker:
        plan["author"] = asker
    addressed = conditions_for(
        [each for goal in definition.get("goal", ()) for each in goal.get("addresses", ())],
        context,
    )
    if addressed:
        plan["addresses"] = addressed
    return copy.deepcopy(plan)
