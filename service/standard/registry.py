"""Which resource types does the service hold? A type is added in one line.

Types without a patient compartment parameter (definitional ones, for instance) are shared by
all clients.
"""

from __future__ import annotations

RESOURCE_TYPES: tuple[str, ...] = (
    "Patient",
    "Practitioner",
    "PractitionerRole",
    "Organization",
    "RelatedPerson",
    "CareTeam",
    "Location",
    "CarePlan",
    "Goal",
    "ServiceRequest",
    "Encounter",
    "Procedure",
    "Observation",
    "Condition",
    "AllergyIntolerance",
    "Flag",
    "DetectedIssue",
    "NutritionOrder",
    "Device",
    "Questionnaire",
    "QuestionnaireResponse",
    "DiagnosticReport",
    "Composition",
    "DocumentReference",
    "Binary",
    "Group",
    "Task",
    "Appointment",
    "Consent",
    "Provenance",
    "AuditEvent",
    "Subscription",
    "ActivityDefinition",
    "PlanDefinition",
    "ValueSet",
    "CodeSystem",
    "ConceptMap",
    "StructureDefinition",
    "List",
)

SEARCHED_TYPES: tuple[str, ...] = tuple(name for name in RESOURCE_TYPES if name != "AuditEvent")
"""Types that a search of several types, a chain and an include may lead to. AuditEvents are kept in
the audit log, which answers a search of its own."""

EXCHANGE_TYPES: tuple[str, ...] = ("Bundle", "Parameters", "OperationOutcome")
"""Types that travel and are checked, but are not stored."""
