"""What order does an ActivityDefinition come to?

R4: ActivityDefinition/$apply, and the map of ActivityDefinition to ServiceRequest. What is made is
a draft and a proposal: an intent of the definition comes before that, an intent of the caller
(`option`, within a RequestGroup) before both.
"""

from __future__ import annotations

import copy
from typing import Any

from service.errors import NotSupported
from service.standard.applying.context import Context, canonical_of
from service.standard.applying.elements import put
from service.standard.applying.expressions import values_of

Resource = dict[str, Any]

_TASK_INTENTS = frozenset({"proposal", "plan", "order"})


def apply_activity(
    definition: Resource, context: Context, *, intent: str | None = None
) -> Resource:
    """The request that the definition asks for, without an id.

    Raises NotSupported for a kind of request that is not made here.
    """
    kind = definition.get("kind", "ServiceRequest")
    if kind not in ("ServiceRequest", "Task"):
        raise NotSupported(
            f"ServiceRequest and Task are made here, not {str(kind)[:40]}",
            expression="ActivityDefinition.kind",
        )
    if "transform" in definition:
        raise NotSupported("Transforms are not run here", expression="ActivityDefinition.transform")
    wished = intent or definition.get("intent") or "proposal"
    made = _service_request if kind == "ServiceRequest" else _task
    request = made(definition, context, wished)
    set_values(request, definition, context, "ActivityDefinition.dynamicValue")
    return request


def set_values(
    request: Resource,
    definition: Resource,
    context: Context,
    where: str,
    group: Resource | None = None,
) -> None:
    """Put the dynamic values of a definition in place, in their order.

    `%action.…` addresses `group`, the action of the RequestGroup, where there is one.
    """
    for index, dynamic in enumerate(definition.get("dynamicValue", ())):
        place = f"{where}[{index}]"
        path, expression = dynamic.get("path"), dynamic.get("expression")
        if path is None or expression is None:
            raise NotSupported("A dynamic value needs its path and expression", expression=place)
        names, at = context.names(), f"{place}.expression"
        values = values_of(expression, context.subject, names, context.budget, at)
        if path.startswith("%action."):
            if group is not None:
                # The tables have no RequestGroup; its actions have the elements of a plan's.
                target = {"resourceType": "PlanDefinition", "action": [group]}
                put(target, f"action[0].{path[8:]}", values, f"{place}.path")
            continue
        put(request, path, copy.deepcopy(values), f"{place}.path")


def _service_request(definition: Resource, context: Context, intent: str) -> Resource:
    request: Resource = {"resourceType": "ServiceRequest"}
    if "profile" in definition:
        request["meta"] = {"profile": [definition["profile"]]}
    extensions = carried_extensions(definition, context)
    if extensions:
        request["extension"] = extensions
    canonical = canonical_of(definition)
    if canonical:
        request["instantiatesCanonical"] = [canonical]
    request |= {"status": "draft", "intent": intent}
    request |= _same(definition, "priority", "doNotPerform", "code")
    if "quantity" in definition:
        request["quantityQuantity"] = definition["quantity"]
    request |= context.whose()
    request |= occurrence(definition)
    request["authoredOn"] = context.today.isoformat()
    asker = context.asker()
    if asker:
        request["requester"] = asker
    role = _performer_role(definition)
    if role:
        request["performerType"] = role
    if "location" in definition:
        request["locationReference"] = [definition["location"]]
    request |= _same(definition, "bodySite")
    if "usage" in definition:
        request["note"] = [{"text": definition["usage"]}]
    return copy.deepcopy(request)


def _task(definition: Resource, context: Context, intent: str) -> Resource:
    task: Resource = {"resourceType": "Task"}
    canonical = canonical_of(definition)
    if canonical:
        task["instantiatesCanonical"] = canonical
    task |= {"status": "draft", "intent": intent if intent in _TASK_INTENTS else "proposal"}
    task |= _same(definition, "priority", "code")
    text = definition.get("description") or definition.get("title")
    if text:
        task["description"] = text
    whose = context.whose()
    task["for"] = whose["subject"]
    task |= {"encounter": whose["encounter"]} if "encounter" in whose else {}
    task["authoredOn"] = context.today.isoformat()
    asker = context.asker()
    if asker:
        task["requester"] = asker
    if "usage" in definition:
        task["note"] = [{"text": definition["usage"]}]
    return copy.deepcopy(task)


def occurrence(element: Resource) -> Resource:
    """`timing[x]` of a definition or action as `occurrence[x]`; Age, Range, Duration do not fit."""
    for kind in ("Timing", "DateTime", "Period"):
        if f"timing{kind}" in element:
            return {f"occurrence{kind}": element[f"timing{kind}"]}
    return {}


def carried_extensions(element: Resource, context: Context) -> list[Resource]:
    """The extensions that go along, in their order; of some only the first ones."""
    taken: dict[str, int] = {}
    found = []
    for extension in element.get("extension", ()):
        url = extension.get("url")
        if url not in context.carried:
            continue
        taken[url] = taken.get(url, 0) + 1
        if not context.carried[url] or taken[url] <= context.carried[url]:
            found.append(extension)
    return found


def _performer_role(definition: Resource) -> Resource | None:
    for participant in definition.get("participant", ()):
        if participant.get("type") == "practitioner" and "role" in participant:
            role: Resource = participant["role"]
            return role
    return None


def _same(definition: Resource, *names: str) -> Resource:
    return {name: definition[name] for name in names if name in definition}
