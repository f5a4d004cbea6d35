"""Who is in the case when a definition is applied, and what is known of the client?

Reads what the parameters of `$apply` name, refuses what is not here, and makes the context that
`standard/applying` works in.
"""

from __future__ import annotations

import functools
from collections.abc import Iterator
from typing import Any

from service.errors import Invalid, NotSupported
from service.rest.call import Call, Service
from service.rest.cautions import definition_at, today
from service.rest.inputs import Inputs
from service.rest.known import known_of, loads, observed
from service.rest.routing import Interaction
from service.standard.applying import Context
from service.standard.codec import decode_resource
from service.store.connection import Connection
from service.store.current import current_version
from service.store.store import present
from service.therapy.cautions.record import Record
from service.therapy.cautions.rules import CodeSet
from service.therapy.fitting import Fit, fitted, making, parameters
from service.therapy.references import target
from service.therapy.techniques import Code, catalogue, codes_of

Resource = dict[str, Any]

_ROLES = {
    "encounter": ("Encounter",),
    "practitioner": ("Practitioner", "PractitionerRole"),
    "organization": ("Organization",),
}
_USERS = ("userType", "userLanguage", "userTaskContext", "setting", "settingContext")
_KINDS = ("ActivityDefinition", "PlanDefinition", "Questionnaire")
_MOST_LOOKED_AT = 200


class Case:
    """One `$apply`: its parameters, read against the store."""

    def __init__(self, service: Service, connection: Connection, call: Call, given: Inputs) -> None:
        self._service = service
        self._connection = connection
        self._call = call
        self._given = given
        self.patient, self._subject = self._client()
        self.today = today()
        self.known = known_of(service, connection, call.caller, self.patient, self.today)
        self.fits: list[Fit] = []

    def definition(self, asked: Interaction, name: str) -> Resource:
        """The definition at the address, or the one that was handed in. Raises Invalid."""
        handed = self._given.one(name)
        if asked.id is None:
            if handed is None:
                raise Invalid(f"{name} is needed", code="required", location=f"http.{name}")
            found: Resource = handed
            return found
        if handed is not None:
            raise Invalid(
                f"{name} is not allowed where the address names one",
                code="value",
                location=f"http.{name}",
            )
        kind = asked.type or ""
        stored = current_version(self._connection, self._call.caller, kind, asked.id)
        return decode_resource(present(stored, f"{kind}/{asked.id}").body or b"")

    def context(self, definition: Resource) -> Context:
        """What the definition is applied in; also finds out what it is to be fitted to."""
        resolve = functools.cache(functools.partial(self._resolve, definition))
        self.fits = self._fits(definition, resolve)
        people = {name: self._named(name) for name in _ROLES}
        variables: dict[str, Any] = {name: held for name, (_, held) in people.items()}
        variables |= {name: self._given.one(name) for name in _USERS}
        variables |= {fit.parameter.name: fit.value for fit in self.fits}
        record = Record(self.known, self.today.toordinal())
        return Context(
            subject=self._subject,
            today=self.today,
            resolve=resolve,
            encounter=people["encounter"][0],
            practitioner=people["practitioner"][0],
            organization=people["organization"][0],
            variables=variables,
            conditions=tuple(record.of("Condition")),
            carried=making().carried,
            plan_defaults=making().care_plan,
        )

    def _client(self) -> tuple[str, Resource]:
        subjects = self._given.all("subject")
        if len(subjects) != 1:
            told = "one subject at a time is taken here" if subjects else "subject is needed"
            raise Invalid(told, code="required", location="http.subject")
        reference, held = self._held("subject", subjects[0], ("Patient",))
        return reference.removeprefix("Patient/"), held

    def _named(self, name: str) -> tuple[str | None, Resource | None]:
        text = self._given.one(name)
        if text is None:
            return None, None
        reference, held = self._held(name, text, _ROLES[name])
        if name == "encounter":
            whose = target(held.get("subject"), self._call.base)
            if whose != f"Patient/{self.patient}":
                raise Invalid(
                    "The encounter is not one of this subject",
                    code="value",
                    location="http.encounter",
                )
        return reference, held

    def _held(self, name: str, text: str, types: tuple[str, ...]) -> tuple[str, Resource]:
        """The resource that a parameter names: `Type/id`, an absolute URL of ours, or an id."""
        reference = target({"reference": text}, self._call.base) or f"{types[0]}/{text}"
        kind, _, key = reference.partition("/")
        if kind not in types:
            raise NotSupported(
                f"{name} is {' or '.join(types)} here, not {kind[:40]!r}",
                location=f"http.{name}",
            )
        stored = current_version(self._connection, self._call.caller, kind, key)
        if stored is None or stored.body is None:
            raise Invalid(
                f"There is no {kind}/{key[:64]} here", code="not-found", location=f"http.{name}"
            )
        return reference, loads(stored.body)

    def _fits(self, definition: Resource, resolve: Any) -> list[Fit]:
        given: dict[str, str] = {}
        for parameter in parameters():
            value = self._given.one(parameter.name)
            if value is None:
                continue
            if value not in parameter.values:
                listed = ", ".join(parameter.values)
                raise Invalid(
                    f"{parameter.name} is one of {listed}, not {value[:40]!r}",
                    code="value",
                    location=f"http.{parameter.name}",
                )
            given[parameter.name] = value
        codes = [CodeSet(each.observed_as[0], (each.observed_as[1],)) for each in parameters()]
        seen = observed(self._service, self._connection, self._call.caller, self.patient, codes)
        return fitted(given, seen, _regions(definition, resolve))

    def _resolve(self, within: Resource, canonical: str) -> Resource | None:
        """The definition of a canonical: contained, stored, or of mappings/techniques."""
        if canonical.startswith("#"):
            inside = (e for e in within.get("contained", ()) if e.get("id") == canonical[1:])
            return next(inside, None)
        for kind in sorted(_KINDS, key=lambda each: f"/{each}/" not in canonical):
            found = definition_at(self._connection, self._call, kind, canonical)
            if found is not None:
                return found
        known = catalogue().at(canonical)
        return known.definition if known else None


def _regions(definition: Resource, resolve: Any) -> list[Code]:
    """The body sites that a definition, or those its actions ask for, work on."""
    sites = list(definition.get("bodySite", ()))
    for count, action in enumerate(_actions(definition)):
        if count < _MOST_LOOKED_AT and "definitionCanonical" in action:
            sites += (resolve(action["definitionCanonical"]) or {}).get("bodySite", ())
    return [code for site in sites for code in codes_of(site)]


def _actions(holder: Resource) -> Iterator[Resource]:
    for action in holder.get("action", ()):
        yield action
        yield from _actions(action)
