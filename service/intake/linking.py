"""To whom and to what does a session belong? Client, therapist, plan of care, orders.

By the clinic's numbers; an order that is not named is looked for by client, technique and day.
Where more than one fits, none is linked, and that is told.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date
from typing import Any

from service.caller import Caller
from service.intake.local_codes import Meant
from service.intake.models import Clinic, Named
from service.intake.places import Findings, Path
from service.standard.codec import decode_resource
from service.standard.questionnaires import find as shipped_form
from service.standard.search_query import parse_search
from service.store.connection import Connection
from service.store.current import current_version
from service.store.searching import find

Json = dict[str, Any]

MOST_ORDERS = 500
"""Orders, or plans, of one client that are looked at."""

_SPECIAL = re.compile(r"([\\,$|])")
_NOT_IN_FORCE = frozenset({"draft", "entered-in-error", "unknown"})


@dataclass(frozen=True, slots=True)
class Linked:
    """The plan and the orders a technique is done for: references, none where it is not sure."""

    order: str | None = None
    plan: str | None = None
    reasons: tuple[str, ...] = ()


class Links:
    """Looks up what sessions refer to; what it has found it keeps as long as the request."""

    def __init__(self, connection: Callable[[], Connection], caller: Caller, base: str) -> None:
        self._connection = connection
        self._caller = caller
        self._base = base
        self._found: dict[tuple[str, str], list[str]] = {}
        self._courses: dict[str, tuple[list[Json], list[Json]]] = {}

    def named(self, kind: str, named: Named, system: str | None) -> list[str]:
        """References of the resources of a type that are meant: none, one, or two for several."""
        if named.reference is not None:
            found_type, found_id = named.reference.split("/")
            if found_type != kind:
                return []
            stored = current_version(self._connection(), self._caller, kind, found_id)
            return [named.reference] if stored is not None and not stored.deleted else []
        system = named.system or system
        if system is None or named.value is None:
            return []
        token = f"{escaped(system)}|{escaped(named.value)}"
        key = (kind, token)
        if key not in self._found:
            self._found[key] = [each.reference for each in self._search(kind, token)]
        return self._found[key]

    def client(self, named: Named, clinic: Clinic, findings: Findings) -> str | None:
        """The Patient. Without one the session is refused: it would be in nobody's record."""
        found = self.named("Patient", named, system_of(clinic, "client"))
        if len(found) == 1:
            return found[0]
        what = called(named, system_of(clinic, "client"))
        if found:
            text = f"More than one client has the number {what}"
            findings.error(("client",), "multiple-matches", text)
        else:
            text = f"No client {what} is here: send the Patient first"
            findings.error(("client",), "not-found", text)
        return None

    def other(
        self, kind: str, named: Named, system: str | None, findings: Findings, path: Path
    ) -> Json | None:
        """A Reference to somebody else; by the number alone, and told, where it is not sure."""
        found = self.named(kind, named, system)
        if len(found) == 1:
            return {"reference": found[0]}
        what = called(named, system)
        several = f"More than one {kind} has the number {what}: kept by its number only"
        nobody = f"No {kind} {what} is here: kept by its number only"
        code = "multiple-matches" if found else "not-found"
        findings.warning(path, code, several if found else nobody)
        system = named.system or system
        if named.value is None or system is None:
            return {"display": what}
        return {"type": kind, "identifier": {"system": system, "value": named.value}}

    def plan(
        self, client: str, named: Named | None, clinic: Clinic, day: date, findings: Findings
    ) -> str | None:
        """The CarePlan: the one named, else the only one whose period holds the day."""
        if named is not None:
            found = self.named("CarePlan", named, system_of(clinic, "plan"))
            if len(found) == 1:
                return found[0]
            what = called(named, system_of(clinic, "plan"))
            text = f"{'More than one' if found else 'No'} plan {what} is here: not linked"
            findings.warning(("plan",), "multiple-matches" if found else "not-found", text)
            return None
        plans = [
            plan
            for plan in self._course(client)[0]
            if _holds(plan.get("period"), day) and plan.get("status") not in _NOT_IN_FORCE
        ]
        if len(plans) > 1:
            names = ", ".join(f"CarePlan/{plan['id']}" for plan in plans[:5])
            text = f"{len(plans)} plans of the client hold that day ({names}): name one as `plan`"
            findings.warning((), "multiple-matches", text)
        return f"CarePlan/{plans[0]['id']}" if len(plans) == 1 else None

    def order(
        self,
        client: str,
        named: Named | None,
        clinic: Clinic,
        technique: Meant,
        region: Meant | None,
        plan: str | None,
        day: date,
        findings: Findings,
        path: Path,
    ) -> Linked:
        """The ServiceRequest of a technique, with the plan it belongs to."""
        orders = self._course(client)[1]
        if named is not None:
            found = self.named("ServiceRequest", named, system_of(clinic, "order"))
            matching = [one for one in orders if f"ServiceRequest/{one['id']}" in found]
            if len(found) != 1 or len(matching) != 1:
                what = called(named, system_of(clinic, "order"))
                text = f"The order {what} is not one order of this client: not linked"
                findings.warning((*path, "order"), "not-found", text)
                return Linked(plan=plan)
        else:
            wanted = _codings(technique.concept)
            matching = [
                one
                for one in orders
                if wanted & _codings(one.get("code"))
                and one.get("status") not in _NOT_IN_FORCE
                and _ordered_for(one, day)
            ]
            matching = _narrowed(matching, region, plan)
        if len(matching) > 1:
            names = ", ".join(f"ServiceRequest/{one['id']}" for one in matching[:5])
            text = f"{len(matching)} orders fit this technique on that day ({names}): not linked"
            findings.warning((*path, "technique"), "multiple-matches", text)
        if len(matching) != 1:
            return Linked(plan=plan)
        (order,) = matching
        plans = [
            each["reference"]
            for each in order.get("basedOn", ())
            if str(each.get("reference", "")).startswith("CarePlan/")
        ]
        own = plans[0] if len(plans) == 1 else None
        return Linked(f"ServiceRequest/{order['id']}", own or plan, tuple(_reasons(order)))

    def form(self, canonical: str) -> Json | None:
        """The Questionnaire of this canonical, ours or a stored one; None where it is not sure."""
        own = shipped_form(canonical)
        if own is not None:
            return own
        url, _, version = canonical.partition("|")
        pairs = [("url", escaped(url))] + ([("version", escaped(version))] if version else [])
        query = parse_search("Questionnaire", pairs, strict=True)
        found = find(self._connection(), self._caller, query)
        return decode_resource(found[0].body or b"") if len(found) == 1 else None

    def _course(self, client: str) -> tuple[list[Json], list[Json]]:
        """Plans and orders of a client."""
        if client not in self._courses:
            if len(self._courses) > 64:
                self._courses.clear()
            patient = client.split("/")[1]
            self._courses[client] = (
                list(self._all("CarePlan", patient)),
                list(self._all("ServiceRequest", patient)),
            )
        return self._courses[client]

    def _all(self, kind: str, patient: str) -> Iterator[Json]:
        query = parse_search(kind, [("patient", patient)], strict=True, base=f"{self._base}/")
        for each in find(self._connection(), self._caller, query, limit=MOST_ORDERS):
            yield decode_resource(each.body or b"")

    def _search(self, kind: str, token: str) -> Any:
        query = parse_search(kind, [("identifier", token)], strict=True)
        return find(self._connection(), self._caller, query)


def system_of(clinic: Clinic, kind: str) -> str | None:
    """The identifier system of one kind of number of the clinic."""
    return f"{clinic.identifiers}{kind}" if clinic.identifiers else None


def called(named: Named, system: str | None) -> str:
    """What somebody is called in a finding."""
    if named.reference is not None:
        return named.reference
    system = named.system or system
    return f"{system}|{named.value}" if system else str(named.value)


def escaped(text: str) -> str:
    """Literally in a search value."""
    return _SPECIAL.sub(r"\\\1", text)


def _codings(concept: Any) -> set[tuple[str, str]]:
    return {
        (coding["system"], coding["code"])
        for coding in (concept or {}).get("coding", ())
        if "system" in coding and "code" in coding
    }


def _holds(period: Json | None, day: date) -> bool:
    """Whether a period holds a day; a missing end is open."""
    if period is None:
        return True
    text = day.isoformat()
    start, end = str(period.get("start", "")), str(period.get("end", "9999"))
    return text[: len(start[:10])] >= start[:10] and text[: len(end[:10])] <= end[:10]


def _ordered_for(order: Json, day: date) -> bool:
    timing = order.get("occurrenceTiming", {}).get("repeat", {}).get("boundsPeriod")
    return _holds(timing or order.get("occurrencePeriod"), day)


def _narrowed(orders: list[Json], region: Meant | None, plan: str | None) -> list[Json]:
    """Those at the same place and under the same plan, as far as that leaves any."""
    if len(orders) > 1 and region is not None:
        wanted = _codings(region.concept)
        orders = [
            one
            for one in orders
            if any(wanted & _codings(site) for site in one.get("bodySite", ()))
        ] or orders
    if len(orders) > 1 and plan is not None:
        orders = [
            one
            for one in orders
            if any(each.get("reference") == plan for each in one.get("basedOn", ()))
        ] or orders
    return orders


def _reasons(order: Json) -> Iterator[str]:
    for each in order.get("reasonReference", ()):
        if str(each.get("reference", "")).startswith("Condition/"):
            yield each["reference"]
