"""What was done, seen and measured in the session? Procedures, Observations, DetectedIssues."""

from __future__ import annotations

from typing import Any

from service.intake import limits
from service.intake.building import Builder, sided
from service.intake.drafts import keys
from service.intake.elements import dose, extension, period, quantity
from service.intake.linking import Linked
from service.intake.parted import components, outcomes_of, parts_row
from service.intake.places import Path
from service.intake.scales import scales
from service.intake.tables import OWN, key_of, known_measure, own_codes, table
from service.standard.codec import Number
from service.therapy.direct.parts import Row

Json = dict[str, Any]


def resources_of(builder: Builder) -> list[Json]:
    """All resources of a session but its Provenance."""
    found = [builder.encounter_resource()]
    if not builder.held:
        found.append(builder.appointment())
    for index in range(len(builder.note.get("techniques", ()))):
        found += _technique(builder, index)
    for name in ("measures", "vitalSigns"):
        found += _measures(builder, name)
    found += _account(builder)
    found += _events(builder)
    found += scales(builder)
    found.append(builder.document())
    return found


def _technique(builder: Builder, index: int) -> list[Json]:
    item, path = builder.note["techniques"][index], ("techniques", index)
    key = builder.technique_keys[index]
    linked = builder.known.orders.get(index, Linked())
    based_on = [each for each in (linked.order, linked.plan) if each]
    done = builder.held and item.get("status") != "not-done"
    found = builder.session.start("Procedure", "procedure", key)
    stimulus = builder.known.concept(*path, "stimulus")
    order_of_sides = builder.known.concept(*path, "sideOrder")
    extensions = [dose(item, _coding(order_of_sides))] if done else []
    if stimulus and done:
        extensions.append(extension("stimulus", valueCodeableConcept=stimulus))
    if any(extensions):
        found["extension"] = [each for each in extensions if each]
    if based_on:
        found["basedOn"] = [{"reference": each} for each in based_on]
    found["status"] = "completed" if done else "not-done"
    reason = builder.known.concept(*path, "reason") or builder.known.concept("reason")
    if not done and reason:
        found["statusReason"] = reason
    found["code"] = builder.known.concept(*path, "technique")
    found["subject"] = builder.subject
    found["encounter"] = builder.encounter
    start = item.get("start", builder.note["start"])
    found["performedPeriod"] = period(start, item.get("end", builder.note.get("end")))
    if not done:
        found["performedPeriod"] = period(start, None)
    if done and builder.known.therapist:
        found["performer"] = [{"actor": builder.known.therapist}]
    found["reasonReference"] = [{"reference": each} for each in linked.reasons]
    if not linked.reasons:
        del found["reasonReference"]
    site = sided(builder.known.concept(*path, "region"), item.get("side"))
    if site:
        found["bodySite"] = [site]
    answer = _response(builder, index, site) if done else None
    if answer and "valueCodeableConcept" in answer:
        found["outcome"] = answer["valueCodeableConcept"]
    if "note" in item:
        found["note"] = [{"text": item["note"]}]
    return [found, answer] if answer else [found]


def _response(builder: Builder, index: int, site: Json | None) -> Json | None:
    """How a technique was answered: a code, trials, delays, a rating; None where none is told."""
    item, path = builder.note["techniques"][index], ("techniques", index)
    value = builder.known.concept(*path, "response")
    if value is None and "seen" in item:
        value = _own("response", "wanted" if item["seen"] else "none")
    components = _components(item)
    if value is None and not components:
        return None
    key = builder.technique_keys[index]
    at = item.get("end", builder.end)
    found = builder.observation(f"response|{key}", at, "therapy")
    linked = builder.known.orders.get(index, Linked())
    if linked.plan:
        found["basedOn"] = [{"reference": linked.plan}]
    found["partOf"] = [builder.session.reference("Procedure", key)]
    found["code"] = _own("measure", "technique-response")
    if value:
        found["valueCodeableConcept"] = value
    if site:
        found["bodySite"] = site
    if components:
        found["component"] = components
    return found


def _components(item: Json) -> list[Json]:
    found: list[Json] = []
    trials = item.get("trials") if "trials" in item else item.get("repetitions")
    if "successes" in item and trials is not None:
        found.append(_component("trials", quantity(trials, "{count}")))
    if "successes" in item:
        found.append(_component("wanted-trials", quantity(item["successes"], "{count}")))
    # Each delay by itself: what the mean of them says is for the one who reads.
    for delay in item.get("delays", ()):
        found.append(_component("swallow-delay-after-stimulus", quantity(delay, "s")))
    if "rating" in item:
        found.append(
            {
                "code": {"text": "Rating of the response on the clinic's own scale"},
                "valueQuantity": {"value": item["rating"]},
            }
        )
    return found


def _measures(builder: Builder, name: str) -> list[Json]:
    found = []
    names = keys(builder.note, name)
    for index, item in enumerate(builder.note.get(name, ())):
        path: Path = (name, index)
        prefix = "vital|" if name == "vitalSigns" else ""
        found += _measure(builder, item, path, prefix + names[index])
    return found


def _measure(builder: Builder, item: Json, path: Path, key: str) -> list[Json]:
    """The Observation of a value; or that of its parts, and those that follow from it."""
    meant = builder.known.codes[(*path, "measure")]
    measure = known_measure(meant.system, meant.code)
    categories = table("kinds")["categories"]
    category = categories.get(key_of(measure), "exam") if measure else "exam"
    at = item.get("at") or (builder.note["start"] if item.get("when") == "before" else builder.end)
    found = builder.observation(key, at, category)
    found["code"] = meant.concept
    if category == "exam" and path[0] == "vitalSigns" and measure is None:
        found["category"][0] = {"text": "Vital signs"}
    row = parts_row(meant.system, meant.code)
    if not _is_told(builder, item, path, row):
        return []
    if row is None:
        found["valueQuantity"] = _value(builder, item, path)
    site = sided(builder.known.concept(*path, "region"), item.get("side"))
    if site:
        found["bodySite"] = site
    if "method" in item:
        found["method"] = {"text": item["method"]}
    if path[0] == "measures" and path[1] in builder.known.devices:
        found["device"] = builder.known.devices[int(path[1])]
    rater = builder.known.raters.get((str(path[0]), int(path[1])))
    if rater:
        found["performer"] = [rater]
    notes = [item["note"]] if "note" in item else []
    if "when" in item:
        notes.append(f"Taken {item['when']} the techniques")
    if notes:
        found["note"] = [{"text": each} for each in notes]
    if row is None:
        return [found]
    findings = builder.draft.findings
    found["component"] = components(row, item, findings, path)
    return [found, *outcomes_of(row, found, builder.session, key, findings, path)]


def _is_told(builder: Builder, item: Json, path: Path, row: Row | None) -> bool:
    """Whether the item has what its measure needs: a value, or parts."""
    findings = builder.draft.findings
    if "parts" in item and row is None:
        text = "This measure has no parts: send its value"
        findings.error((*path, "parts"), "value", text)
    elif "value" in item and row is not None:
        names = ", ".join(part["name"] for part in row["parts"])
        findings.error((*path, "value"), "value", f"This is sent in parts: {names}")
    return ("parts" in item) == (row is not None) and ("value" in item) == (row is None)


def _value(builder: Builder, item: Json, path: Path) -> Json:
    """The value in the unit of its measure, with the reading as it was sent beside it."""
    findings = builder.draft.findings
    meant = builder.known.codes[(*path, "measure")]
    measure = known_measure(meant.system, meant.code)
    value: Number = item["value"]
    sent = item.get("unit")
    if measure is None or measure.unit is None:
        if sent is None:
            return {"value": value}
        unit = limits.unit_code(sent)
        return quantity(value, unit) if limits.is_unit(unit) else {"value": value, "unit": sent}
    if sent is None:
        if limits.needs_unit(measure):
            text = f"No unit: taken as {measure.unit}, the unit of {measure.name}"
            findings.warning((*path, "value"), "business-rule", text)
        unit = measure.unit
    else:
        unit = limits.unit_code(sent)
    found = limits.converted(value, unit, measure.unit)
    if found is None:
        known = "is not known" if not limits.is_unit(unit) else f"cannot be {measure.unit}"
        findings.error((*path, "unit"), "value", f"{measure.name}: the unit {sent!r} {known}")
        return quantity(value, measure.unit)
    limits.check_measured(found, measure, findings, (*path, "value"))
    stored = quantity(found, measure.unit)
    if unit != measure.unit:
        as_sent = extension("as-measured", valueQuantity=quantity(value, unit))
        stored = {"extension": [as_sent], **stored}
    return stored


def _account(builder: Builder) -> list[Json]:
    """What the client says of it, as a code or in words."""
    concept, words = builder.known.concept("account"), builder.note.get("words")
    if concept is None and words is None:
        return []
    found = builder.observation("client-account", builder.end, "survey")
    found["code"] = _own("measure", "client-account")
    found["performer"] = [builder.subject]
    found["valueCodeableConcept"] = (concept or {}) | ({"text": words} if words else {})
    return [found]


def _events(builder: Builder) -> list[Json]:
    """Each event as an Observation; an adverse one is a DetectedIssue too."""
    found = []
    names = keys(builder.note, "events")
    for index, item in enumerate(builder.note.get("events", ())):
        meant = builder.known.codes["events", index, "event"]
        at = item.get("at", builder.end)
        observed = builder.observation(f"event|{names[index]}", at, "therapy")
        observed["code"] = _own("measure", "tolerance")
        observed["valueCodeableConcept"] = meant.concept
        procedure = _procedure_of(builder, item, index)
        if procedure:
            observed["partOf"] = [procedure]
        if "note" in item:
            observed["note"] = [{"text": item["note"]}]
        found.append(observed)
        severity = _severity(item, meant.key)
        if severity:
            found.append(_issue(builder, item, names[index], observed, severity))
    return found


def _severity(item: Json, code: str | None) -> str | None:
    """How grave an event is; what is not known here is taken for adverse rather than not."""
    if code in own_codes("tolerance") and code not in table("kinds")["adverse"]:
        return item.get("severity")
    severity: str = item.get("severity") or table("kinds")["adverse"].get(code, "moderate")
    return severity


def _procedure_of(builder: Builder, item: Json, index: int) -> Json | None:
    """The technique that an event came with: by its number, else by its code."""
    during = item.get("during")
    if during is None:
        return None
    techniques = builder.note.get("techniques", [])
    named = [place for place, each in enumerate(techniques) if each.get("id") == during]
    coded = [place for place, each in enumerate(techniques) if each["technique"]["code"] == during]
    places = named or coded
    if len(places) != 1:
        which = "More than one technique is" if places else "No technique is"
        path = ("events", index, "during")
        text = f"{which} called {during!r} in this session: not linked"
        builder.draft.findings.warning(path, "multiple-matches" if places else "not-found", text)
        return None
    return builder.session.reference("Procedure", builder.technique_keys[places[0]])


def _issue(builder: Builder, item: Json, key: str, observed: Json, severity: str) -> Json:
    found = builder.session.start("DetectedIssue", "event", key)
    found["status"] = "final"
    found["code"] = observed["valueCodeableConcept"]
    found["severity"] = severity
    found["patient"] = builder.subject
    found["identifiedDateTime"] = observed["effectiveDateTime"]
    author = builder.known.therapist
    if author:
        found["author"] = author
    if "partOf" in observed:
        found["implicated"] = observed["partOf"]
    found["evidence"] = [{"detail": [{"reference": f"Observation/{observed['id']}"}]}]
    if "note" in item:
        found["detail"] = item["note"]
    return found


def _component(code: str, value: Json) -> Json:
    return {"code": _own("measure", code), "valueQuantity": value}


def _own(kind: str, code: str) -> Json:
    display = own_codes(kind)[code]
    coding = {"system": OWN + kind, "code": code, "display": display}
    return {"coding": [coding], "text": display}


def _coding(concept: Json | None) -> Json | None:
    """A Coding for an element that takes no text."""
    if concept is None:
        return None
    codings: list[Json] = concept.get("coding", [])
    return codings[0] if codings else {"display": concept["text"]}
