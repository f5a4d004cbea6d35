"""$progress: is this plan of care helping?

`CarePlan/[id]/$progress`, ours; described in mappings/operations/CarePlan-progress.json. Reads
what bears on the plan, computes, stores nothing.
"""

from __future__ import annotations

import importlib
from datetime import UTC, date, datetime
from typing import Any, cast

import orjson

from service import __version__
from service.errors import Invalid, NotSupported
from service.rest.call import Answer, Call, Service
from service.rest.cautions import warnings_about
from service.rest.conversion import convert
from service.rest.parameters import handed
from service.rest.progress_question import asked_of
from service.rest.routing import Interaction
from service.standard.codec import decode, encode
from service.store.connection import Connection
from service.store.course import CourseQuery, course_bodies, version_bodies
from service.store.current import current_version
from service.store.record import RecordQuery, record_page
from service.store.store import present
from service.therapy.course.course import Course, Material, Question, plan_times, read_course
from service.therapy.course.readings import PHASES, Value
from service.therapy.measures import known_measures
from service.therapy.progress.answer import Progress, measuring_devices, progress_of
from service.therapy.progress.bundle import bundle
from service.therapy.progress.parameters import parameters
from service.therapy.progress.report import report
from service.therapy.references import named, target, targets

Resource = dict[str, Any]

_SMALL = ("CarePlan", "Goal", "ServiceRequest", "Flag", "DetectedIssue")
_OVER = frozenset({"completed", "revoked", "entered-in-error"})
_DAY = 86_400_000_000
_EPOCH = date(1970, 1, 1).toordinal()
_MOST_TARGETS = 100


def show_progress(service: Service, call: Call, asked: Interaction) -> Answer:
    """CarePlan/[id]/$progress with `period`, `measure`, `look-back` and `format`."""
    assert asked.id is not None
    now = datetime.now(UTC)
    question, form = asked_of(handed(service, call), now.date().toordinal())
    with call.reading(snapshot=True) as connection:
        progress = progress_about(service, connection, call, asked.id, question)
    issued = now.isoformat(timespec="milliseconds")
    if form == "bundle":
        return Answer(200, encode(bundle(progress, issued, __version__)))
    if form == "report":
        return Answer(200, encode(report(progress, issued)))
    return Answer(200, encode(parameters(progress, _as_written)))


def warm_up() -> None:
    """Load the statistics library, which is otherwise loaded by the first that needs it."""
    importlib.import_module("scipy.stats")


def progress_about(
    service: Service, connection: Connection, call: Call, plan_id: str, question: Question
) -> Progress:
    """What $progress computes about a stored plan.

    Raises NotFound, Gone, Invalid, or NotSupported where the plan is about no Patient here.
    """
    stored = current_version(connection, call.caller, "CarePlan", plan_id)
    plan = _loads(present(stored, f"CarePlan/{plan_id}").body or b"")
    subject = target(plan.get("subject"), call.base)
    if subject is None or not subject.startswith("Patient/"):
        raise NotSupported(
            "$progress is about a plan whose subject is a Patient of this service",
            expression="CarePlan.subject",
        )
    patient = subject.removeprefix("Patient/")
    material = _material(connection, call, plan, patient)
    times = plan_times(material, question)
    own = _own_targets(material)
    since = None if times.since is None else (times.since - _EPOCH - 1) * _DAY
    query = CourseQuery(patient, "Observation", since, own, (PHASES, "baseline"))
    bodies = course_bodies(connection, call.caller, query)
    read = ((_loads(body), body) for body in bodies)
    own_values = ((one, body) for one, body in read if _is_about(one, patient, call.base))
    course = read_course(material, question, own_values, convert)
    person = current_version(connection, call.caller, "Patient", patient)
    devices = _devices(connection, call, course)
    known = _loads(person.body) if person is not None and person.body else None
    _require_measures(course)
    warned = []
    if plan.get("status") not in _OVER:
        warned = [issue.text for issue in warnings_about(service, connection, call, plan)]
    return progress_of(course, convert, known, devices, warned)


def _material(connection: Connection, call: Call, plan: Resource, patient: str) -> Material:
    rows = record_page(connection, call.caller, RecordQuery(patient, _SMALL))
    small: dict[str, list[Resource]] = {name: [] for name in _SMALL}
    for row in rows:
        resource = _loads(row.body or b"")
        if _is_about(resource, patient, call.base):
            small[row.type].append(resource)
    versions = [
        (_loads(body), updated // _DAY + _EPOCH)
        for updated, body in version_bodies(connection, call.caller, "CarePlan", plan["id"])
    ]
    found = Material(
        plan,
        small["CarePlan"],
        small["ServiceRequest"],
        (),
        small["Goal"],
        small["Flag"],
        small["DetectedIssue"],
        versions,
        call.base,
    )
    start = plan_times(found, Question(0)).plan.start
    since = None if start is None else (start.day - _EPOCH - 1) * _DAY
    query = CourseQuery(patient, "Procedure", since, _own_targets(found))
    read = map(_loads, course_bodies(connection, call.caller, query))
    procedures = [one for one in read if _is_about(one, patient, call.base)]
    return Material(
        found.plan,
        found.plans,
        found.requests,
        procedures,
        found.goals,
        found.flags,
        found.issues,
        found.versions,
        found.base,
    )


def _is_about(resource: Resource, patient: str, base: str) -> bool:
    """Not about another client, in whose care this one only takes part (as performer, say)."""
    subject = target(resource.get("subject") or resource.get("patient"), base)
    return subject is None or subject == f"Patient/{patient}"


def _own_targets(material: Material) -> list[tuple[str, str]]:
    """The plan and its requests, as what something may be based on."""
    plan = named(material.plan)
    listed = [a.get("reference") for a in material.plan.get("activity", ())]
    names = [plan, *targets([r for r in listed if r], material.base)]
    names += [
        named(request)
        for request in material.requests
        if plan in targets(request.get("basedOn"), material.base)
    ]
    pairs = [name.split("/") for name in dict.fromkeys(names)]
    return [(kind, key) for kind, key in pairs][:_MOST_TARGETS]


def _devices(connection: Connection, call: Call, course: Course) -> dict[str, Resource]:
    found = {}
    for name in sorted(measuring_devices(course))[:_MOST_TARGETS]:
        kind, key = name.split("/")
        stored = current_version(connection, call.caller, kind, key)
        if kind == "Device" and stored is not None and stored.body:
            found[name] = _loads(stored.body)
    return found


def _require_measures(course: Course) -> None:
    """Refuse a measure that is neither known nor among the values: more likely a slip."""
    codes = {(s.measure.system, s.measure.code) for s in course.series} | set(known_measures())
    for system, code in course.question.measures:
        if not any(code == own and system in (None, of) for of, own in codes):
            raise Invalid(
                f"There is no measure {code[:64]!r}, neither known nor among the client's values",
                code="code-invalid",
                location="http.measure",
            )


def _as_written(value: Value) -> Resource | None:
    quantity = decode(value.source).get("valueQuantity")
    return cast("Resource | None", quantity)


def _loads(body: bytes) -> Resource:
    """Stored bytes, read the quick way: numbers as floats."""
    try:
        found: Resource = orjson.loads(body)
    except orjson.JSONDecodeError:
        found = decode(body)
    return found
