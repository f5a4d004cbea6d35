"""Operations: which are there, at which level, and who answers them? One row each."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from service.errors import MethodNotAllowed, NotFound
from service.rest import (
    apply,
    derive,
    diff,
    document,
    everything,
    export,
    extract,
    lastn,
    progress,
    stats,
    summary,
    terminology,
    validate,
)
from service.rest.call import Answer, Call, Service
from service.rest.permission import permit_operation
from service.rest.routing import Interaction
from service.standard.grants import LISTED

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
    needs: str = "r"
    """Letters of the scopes for the type at the address (at the system's: for any type).

    What an operation shows besides, the store gives it as far as the caller may see it: what is
    found needs LISTED for its type, what is led to by a reference `r`. What it writes goes the way
    of a transaction. None are needed where the answer tells of codes and rules, not of clients.
    """


OPERATIONS: dict[str, Operation] = {
    operation.definition: operation
    for operation in (
        Operation(
            "validate",
            "http://hl7.org/fhir/OperationDefinition/Resource-validate",
            frozenset({"type", "instance"}),
            frozenset(),
            frozenset({"GET", "HEAD", "POST"}),
            validate.validate_resource,
            needs="",
        ),
        Operation(
            "everything",
            "http://hl7.org/fhir/OperationDefinition/Patient-everything",
            frozenset({"instance"}),
            frozenset({"Patient"}),
            frozenset({"GET", "HEAD", "POST"}),
            everything.show_everything,
            needs=LISTED,
        ),
        Operation(
            "summary",
            "http://hl7.org/fhir/uv/ips/OperationDefinition/summary",
            frozenset({"type", "instance"}),
            frozenset({"Patient"}),
            frozenset({"GET", "HEAD", "POST"}),
            summary.show_summary,
            needs=LISTED,
        ),
        Operation(
            "document",
            "http://hl7.org/fhir/OperationDefinition/Composition-document",
            frozenset({"type", "instance"}),
            frozenset({"Composition"}),
            frozenset({"GET", "HEAD", "POST"}),
            document.show_document,
        ),
        Operation(
            "lastn",
            "http://hl7.org/fhir/OperationDefinition/Observation-lastn",
            frozenset({"type"}),
            frozenset({"Observation"}),
            frozenset({"GET", "HEAD", "POST"}),
            lastn.show_last,
            needs="s",
        ),
        Operation(
            "stats",
            "http://hl7.org/fhir/OperationDefinition/Observation-stats",
            frozenset({"type"}),
            frozenset({"Observation"}),
            frozenset({"GET", "HEAD", "POST"}),
            stats.show_statistics,
            needs="s",
        ),
        Operation(
            "diff",
            "https://hyoid.example/fhir/OperationDefinition/diff",
            frozenset({"instance"}),
            frozenset({"CarePlan"}),
            frozenset({"GET", "HEAD", "POST"}),
            diff.show_diff,
        ),
        Operation(
            "apply",
            "http://hl7.org/fhir/OperationDefinition/PlanDefinition-apply",
            frozenset({"type", "instance"}),
            frozenset({"PlanDefinition"}),
            frozenset({"GET", "HEAD", "POST"}),
            apply.apply_plan_definition,
        ),
        Operation(
            "apply",
            "http://hl7.org/fhir/OperationDefinition/ActivityDefinition-apply",
            frozenset({"type", "instance"}),
            frozenset({"ActivityDefinition"}),
            frozenset({"GET", "HEAD", "POST"}),
            apply.apply_activity_definition,
        ),
        Operation(
            "expand",
            "http://hl7.org/fhir/OperationDefinition/ValueSet-expand",
            frozenset({"type", "instance"}),
            frozenset({"ValueSet"}),
            frozenset({"GET", "HEAD", "POST"}),
            terminology.expand,
            needs="",
        ),
        Operation(
            "validate-code",
            "http://hl7.org/fhir/OperationDefinition/ValueSet-validate-code",
            frozenset({"type", "instance"}),
            frozenset({"ValueSet"}),
            frozenset({"GET", "HEAD", "POST"}),
            terminology.validate_in_value_set,
            needs="",
        ),
        Operation(
            "validate-code",
            "http://hl7.org/fhir/OperationDefinition/CodeSystem-validate-code",
            frozenset({"type", "instance"}),
            frozenset({"CodeSystem"}),
            frozenset({"GET", "HEAD", "POST"}),
            terminology.validate_in_code_system,
            needs="",
        ),
        Operation(
            "lookup",
            "http://hl7.org/fhir/OperationDefinition/CodeSystem-lookup",
            frozenset({"type"}),
            frozenset({"CodeSystem"}),
            frozenset({"GET", "HEAD", "POST"}),
            terminology.look_up,
            needs="",
        ),
        Operation(
            "subsumes",
            "http://hl7.org/fhir/OperationDefinition/CodeSystem-subsumes",
            frozenset({"type", "instance"}),
            frozenset({"CodeSystem"}),
            frozenset({"GET", "HEAD", "POST"}),
            terminology.subsumes,
            needs="",
        ),
        Operation(
            "translate",
            "http://hl7.org/fhir/OperationDefinition/ConceptMap-translate",
            frozenset({"type", "instance"}),
            frozenset({"ConceptMap"}),
            frozenset({"GET", "HEAD", "POST"}),
            terminology.translate,
            needs="",
        ),
        Operation(
            "extract",
            "http://hl7.org/fhir/uv/sdc/OperationDefinition/QuestionnaireResponse-extract",
            frozenset({"type", "instance"}),
            frozenset({"QuestionnaireResponse"}),
            frozenset({"GET", "HEAD", "POST"}),
            extract.extract_observations,
        ),
        Operation(
            "export",
            "http://hl7.org/fhir/uv/bulkdata/OperationDefinition/patient-export",
            frozenset({"type"}),
            frozenset({"Patient"}),
            frozenset({"GET", "POST"}),
            export.start_export,
            needs=LISTED,
        ),
        Operation(
            "export",
            "http://hl7.org/fhir/uv/bulkdata/OperationDefinition/group-export",
            frozenset({"instance"}),
            frozenset({"Group"}),
            frozenset({"GET", "POST"}),
            export.start_export,
        ),
        Operation(
            "export",
            "http://hl7.org/fhir/uv/bulkdata/OperationDefinition/export",
            frozenset({"system"}),
            frozenset(),
            frozenset({"GET", "POST"}),
            export.start_export,
            needs=LISTED,
        ),
        Operation(
            "derive",
            "https://hyoid.example/fhir/OperationDefinition/Observation-derive",
            frozenset({"type", "instance"}),
            frozenset({"Observation"}),
            frozenset({"GET", "HEAD", "POST"}),
            derive.derive_measures,
        ),
        Operation(
            "progress",
            "https://hyoid.example/fhir/OperationDefinition/CarePlan-progress",
            frozenset({"instance"}),
            frozenset({"CarePlan"}),
            frozenset({"GET", "HEAD", "POST"}),
            progress.show_progress,
            needs=LISTED,
        ),
    )
}


def operate(service: Service, call: Call, asked: Interaction) -> Answer:
    """Answer an operation. Raises NotFound where it is not offered at this address."""
    name = (asked.detail or "").removeprefix("$")
    level: Level = "instance" if asked.id else "type" if asked.type else "system"
    operation = next((o for o in OPERATIONS.values() if _is_meant(o, name, asked.type)), None)
    if operation is None or level not in operation.levels:
        raise NotFound(f"There is no operation ${name[:64]} for this address", code="not-supported")
    if call.method not in operation.methods:
        allowed = ", ".join(sorted(operation.methods))
        raise MethodNotAllowed(f"${name} takes {allowed}", headers={"Allow": allowed})
    permit_operation(call.caller, asked, operation.needs)
    return operation.handler(service, call, asked)


def _is_meant(operation: Operation, name: str, resource_type: str | None) -> bool:
    return operation.name == name and (not operation.types or resource_type in operation.types)
