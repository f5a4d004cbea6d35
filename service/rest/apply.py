"""$apply: what do a plan template or a technique come to for this client? Nothing is stored.

R4: OperationDefinition-PlanDefinition-apply and -ActivityDefinition-apply. Besides their
parameters we take those of `mappings/apply-parameters.json` (`weakerSide`, `tone`; where they are
not given the client's Observations are asked), and for a plan:

- `form`: `careplan` (as R4 says: a CarePlan with a contained RequestGroup, Goals and requests), or
  `transaction` (a Bundle that can be posted as it is);
- `detectedIssues`: `true` adds each warning as a DetectedIssue.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from typing import Any

from service.errors import Invalid, NotSupported
from service.rest.applying_case import Case
from service.rest.call import Answer, Call, Service
from service.rest.cautions import cautions_for
from service.rest.inputs import Table, inputs_of
from service.rest.routing import Interaction
from service.standard.applying import (
    Applied,
    apply_activity,
    apply_plan,
    as_care_plan,
    as_transaction,
)
from service.standard.codec import encode
from service.standard.profiles import check
from service.therapy.cautions import NO_ALL_CLEAR, Caution
from service.therapy.cautions.offered import detected_issue
from service.therapy.fitting import Fit, depends_on_side, parameters

Resource = dict[str, Any]

_R4: Table = {
    "subject": "text",
    "encounter": "text",
    "practitioner": "text",
    "organization": "text",
    "userType": "CodeableConcept",
    "userLanguage": "CodeableConcept",
    "userTaskContext": "CodeableConcept",
    "setting": "CodeableConcept",
    "settingContext": "CodeableConcept",
}
_FORMS = ("careplan", "transaction")


def apply_plan_definition(service: Service, call: Call, asked: Interaction) -> Answer:
    """PlanDefinition/[id]/$apply and PlanDefinition/$apply."""
    table = _table() | {"planDefinition": "resource", "form": "text", "detectedIssues": "flag"}
    given = inputs_of(service, call, table)
    form = given.one("form") or "careplan"
    if form not in _FORMS:
        raise Invalid(f"form is one of {', '.join(_FORMS)}", code="value", location="http.form")
    with call.reading(snapshot=True) as connection:
        case = Case(service, connection, call, given)
        definition = case.definition(asked, "planDefinition")
        context = case.context(definition)
        applied = apply_plan(definition, context)
        made = [*applied.requests()]
        found = cautions_for(
            service, connection, call, made, case.patient, today=context.today, known=case.known
        )
    _mark_sides(made, case.fits)
    notes = [*_told(case.fits, applied), *_warnings(found)]
    issues = _offered(found, case) if given.one("detectedIssues") else []
    if form == "transaction":
        return _answer(as_transaction(applied, _new_urn, notes, issues))
    return _answer(as_care_plan(applied, notes, issues))


def apply_activity_definition(service: Service, call: Call, asked: Interaction) -> Answer:
    """ActivityDefinition/[id]/$apply and ActivityDefinition/$apply."""
    given = inputs_of(service, call, _table() | {"activityDefinition": "resource"})
    with call.reading(snapshot=True) as connection:
        case = Case(service, connection, call, given)
        definition = case.definition(asked, "activityDefinition")
        context = case.context(definition)
        request = apply_activity(definition, context)
        found = cautions_for(
            service,
            connection,
            call,
            [request],
            case.patient,
            today=context.today,
            known=case.known,
            definitions=[definition],
        )
    _mark_sides([request], case.fits)
    notes = [{"text": text} for text in _warnings(found)]
    request["note"] = [*request.get("note", ()), *notes]
    return _answer(request)


def _table() -> dict[str, Any]:
    return {**_R4, **{parameter.name: "text" for parameter in parameters()}}


def _mark_sides(requests: Iterable[Resource], fits: Iterable[Fit]) -> None:
    """Write the weaker side on the orders whose order of sides depends on it."""
    marks = [fit.extension for fit in fits if fit.extension is not None]
    for request in requests:
        if depends_on_side(request):
            request["extension"] = [*request.get("extension", ()), *marks]


def _told(fits: Iterable[Fit], applied: Applied) -> Iterator[str]:
    """To what the plan was fitted; what is not known, where something was left out for it."""
    for fit in fits:
        if fit.value is not None or applied.left_out:
            yield fit.text


def _warnings(found: Iterable[Caution]) -> Iterator[str]:
    for caution in found:
        yield f"Warning: {caution.text}"
    yield NO_ALL_CLEAR


def _offered(found: Iterable[Caution], case: Case) -> list[Resource]:
    now = datetime.now(UTC).isoformat(timespec="seconds")
    return [detected_issue(each, f"Patient/{case.patient}", now) for each in found]


def _new_urn() -> str:
    return f"urn:uuid:{uuid.uuid4()}"


def _answer(made: Resource) -> Answer:
    """What was made, if it is valid R4: what a definition asks for may not be."""
    try:
        check(made)
    except Invalid as error:
        raise NotSupported(
            f"What the definition asks for is not valid: {error}"[:2000],
            code="business-rule",
            status=422,
        ) from error
    return Answer(200, encode(made))
