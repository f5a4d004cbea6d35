"""Operations: which are there, at which level, and who answers them? One row each."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from service.errors import MethodNotAllowed, NotFound
from service.rest import diff, everything, lastn, validate
from service.rest.call import Answer, Call, Service
from service.rest.routing import Interaction

Level = Literal["system", "type", "instance"]
Handler = Callable[[Service, Call, Interaction], Answer]


@dataclass(frozen=True, slots=True)
class Operation:
    """An operation as offered: `types` is empty where it is for every type."""

    name: str
    definition: str
    levels: frozenset[Level]
    types: frozenset[str]
    methods: frozenset[str]
    handler: Handler


OPERATIONS: dict[str, Operation] = {
    operation.name: operation
    for operation in (
        Operation(
            "validate",
            "http://hl7.org/fhir/OperationDefinition/Resource-validate",
            frozenset({"type", "instance"}),
            frozenset(),
            frozenset({"GET", "POST"}),
            validate.validate_resource,
        ),
        Operation(
            "everything",
            "http://hl7.org/fhir/OperationDefinition/Patient-everything",
            frozenset({"instance"}),
            frozenset({"Patient"}),
            frozenset({"GET", "HEAD", "POST"}),
            everything.show_everything,
        ),
        Operation(
            "lastn",
            "http://hl7.org/fhir/OperationDefinition/Observation-lastn",
            frozenset({"type"}),
            frozenset({"Observation"}),
            frozenset({"GET", "HEAD", "POST"}),
            lastn.show_last,
        ),
        Operation(
            "diff",
            "https://hyoid.example/fhir/OperationDefinition/diff",
            frozenset({"instance"}),
            frozenset({"CarePlan"}),
            frozenset({"GET", "HEAD", "POST"}),
            diff.show_diff,
        ),
    )
}


def operate(service: Service, call: Call, asked: Interaction) -> Answer:
    """Answer an operation. Raises NotFound where it is not offered at this address."""
    name = (asked.detail or "").removeprefix("$")
    operation = OPERATIONS.get(name)
    level: Level = "instance" if asked.id else "type" if asked.type else "system"
    offered = operation is not None and (
        level in operation.levels and (not operation.types or asked.type in operation.types)
    )
    if operation is None or not offered:
        raise NotFound(f"There is no operation ${name[:64]} for this address", code="not-supported")
    if call.method not in operation.methods:
        allowed = ", ".join(sorted(operation.methods))
        raise MethodNotAllowed(f"${name} takes {allowed}", headers={"Allow": allowed})
    return operation.handler(service, call, asked)
