"""What does a note refer to? People, plan, orders, forms, devices, and what its codes mean."""

from __future__ import annotations

from datetime import date
from typing import Any

from service.intake.building import Known
from service.intake.drafts import Draft
from service.intake.linking import Links, system_of
from service.intake.local_codes import Codes
from service.intake.models import Code, Named
from service.intake.places import Path
from service.intake.scales import canonical_of

Json = dict[str, Any]

_CODES = {
    "techniques": {
        "technique": "technique",
        "region": "oral-region",
        "sideOrder": "side-order",
        "stimulus": "stimulus",
        "response": "response",
        "reason": "missed-reason",
    },
    "measures": {"measure": "measure", "region": "oral-region"},
    "vitalSigns": {"measure": "measure", "region": "oral-region"},
    "events": {"event": "tolerance"},
}
_SESSION_CODES = {
    "type": "session-type",
    "phase": "phase",
    "reason": "missed-reason",
    "account": "client-account",
}


def known_of(draft: Draft, client: str, codes: Codes, links: Links) -> Known:
    """Everything that the note of a client's session refers to, as far as it is sure."""
    clinic, findings, content = draft.clinic, draft.findings, draft.content
    known = Known(client)
    note = draft.note
    known.therapist = _staff(draft, links, note.therapist, ("therapist",))
    known.recorder = _staff(draft, links, note.recorded_by, ("recordedBy",))
    if clinic.organization is not None:
        system = system_of(clinic, "organization")
        known.organization = links.other(
            "Organization", clinic.organization, system, findings, ("clinic",)
        )
    for name, kind in _SESSION_CODES.items():
        if name in content:
            path = (name,)
            sent = Code.model_validate(content[name])
            known.codes[path] = codes.read(kind, sent, clinic.local_codes, findings, path)
    for name, kinds in _CODES.items():
        for index, item in enumerate(content.get(name, ())):
            for part, kind in kinds.items():
                if part in item:
                    where = (name, index, part)
                    sent = Code.model_validate(item[part])
                    known.codes[where] = codes.read(kind, sent, clinic.local_codes, findings, where)
    day = date.fromisoformat(content["start"][:10])
    known.plan = links.plan(client, note.plan, clinic, day, findings)
    for index, technique in enumerate(note.techniques):
        known.orders[index] = links.order(
            client,
            technique.order,
            clinic,
            known.codes["techniques", index, "technique"],
            known.codes.get(("techniques", index, "region")),
            known.plan,
            day,
            findings,
            ("techniques", index),
        )
    for index, measure in enumerate(note.measures):
        if measure.device is not None:
            found = links.other(
                "Device",
                measure.device,
                system_of(clinic, "device"),
                findings,
                ("measures", index, "device"),
            )
            if found:
                known.devices[index] = found
    for name, items in (("measures", note.measures), ("vitalSigns", note.vital_signs)):
        for index, measure in enumerate(items):
            rater = _staff(draft, links, measure.by, (name, index, "by"))
            if rater:
                known.raters[name, index] = rater
    for index, scale in enumerate(note.scales):
        form = links.form(canonical_of(scale.scale))
        if form is not None:
            known.forms[index] = form
    plans = {linked.plan for linked in known.orders.values() if linked.plan}
    if known.plan is None and len(plans) == 1:
        # The orders tell the plan that the day alone could not.
        known.plan = plans.pop()
    return known


def _staff(draft: Draft, links: Links, named: Named | None, path: Path) -> Json | None:
    if named is None:
        return None
    system = system_of(draft.clinic, "staff")
    return links.other("Practitioner", named, system, draft.findings, path)
