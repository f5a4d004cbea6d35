"""The answer as a Bundle of computed Observations.

Each is coded (mappings/code-systems/computed.json), names its formula in `method`, what it was
computed from in `derivedFrom` (Procedures in `partOf`), and this service in `device`. The measure
it is about is among the categories.
"""

from __future__ import annotations

import copy
import functools
import uuid
from collections.abc import Iterable, Mapping, Sequence
from html import escape
from typing import Any

import orjson

from service.data import mappings
from service.therapy.change.series import Change
from service.therapy.course.dose import TechniqueDose
from service.therapy.course.readings import Value
from service.therapy.course.responses import ImmediateEffect, TechniqueResponse
from service.therapy.course.sessions import WithinSession
from service.therapy.device import service_device
from service.therapy.facts import Estimate
from service.therapy.measures import OWN, Measure
from service.therapy.moments import iso
from service.therapy.progress.agreed import Agreed
from service.therapy.progress.answer import Progress
from service.therapy.progress.compared import Compared, Sides
from service.therapy.progress.goals import GoalProgress
from service.therapy.progress.parameters import rule_of
from service.therapy.quantities import quantity, rounded
from service.therapy.references import label

Resource = dict[str, Any]

_COMPUTED = OWN + "computed"
_NAMES = uuid.UUID("6f1f6d53-4c7c-5a0e-9a55-0d6b54d0f1c3")
_CATEGORY = {
    "coding": [
        {
            "system": "http://terminology.hl7.org/CodeSystem/observation-category",
            "code": "therapy",
            "display": "Therapy",
        }
    ]
}


def bundle(progress: Progress, issued: str, version: str) -> Resource:
    """A collection: the service as a Device, then the computed Observations."""
    text = _narrative(f"Hyoid {version}, which computes from recorded values.")
    device = service_device(version) | {"text": text}
    made = _Maker(progress, issued, _urn(progress.course.plan, "device"))
    for change, compared in zip(progress.changes, progress.compared, strict=True):
        made.change(change, compared)
    for goal in progress.goals:
        made.goal(goal)
    made.attainment(progress)
    for dose in progress.doses:
        made.dose(dose)
    for response in progress.responses:
        made.response(response)
    for effect in progress.effects:
        made.effect(effect)
    for sides in progress.sides:
        made.sides(sides)
    for within in progress.within:
        made.within(within)
    for each in progress.agreed:
        made.agreed(each)
    entries = [{"fullUrl": made.device, "resource": device}, *made.entries]
    return {"resourceType": "Bundle", "type": "collection", "timestamp": issued, "entry": entries}


class _Maker:
    """Makes the Observations of one answer."""

    def __init__(self, progress: Progress, issued: str, device: str) -> None:
        course = progress.course
        self.plan = course.plan
        self.subject = course.material.plan["subject"]
        self.issued = issued
        self.device = device
        first = course.first_day
        self.period = ({"start": iso(first)} if first else {}) | {"end": iso(course.last_day)}
        if first is not None and first > course.last_day:
            self.period = {"end": iso(course.last_day)}
        self.entries: list[Resource] = []

    def change(self, change: Change, compared: Compared) -> None:
        """All numbers of one measure."""
        about = _About(change.measure, change.site, _references(change.values))
        span = [value.at.day for value in change.values]
        if span:
            about.period = {"start": iso(min(span)), "end": iso(max(span))}
        treatment = about.less(_references(change.treatment))
        if change.line is not None:
            self._estimate(treatment, "slope", change.line.per_week, _by_week(change.unit))
        if change.tau is not None:
            self._number(treatment, "tau", change.tau.tau)
        if change.projection.day is not None:
            self._add(treatment, "projection", {"valueDateTime": iso(change.projection.day)})
        self._number(about, "tau-u", change.tau_u)
        if change.overlap is not None:
            self._estimate(about, "non-overlap", change.overlap.nap, "1")
        self._against_error(about, change)
        if compared.norm is not None and change.latest is not None:
            percent = compared.norm.percent(change.latest.number)
            own = about.less([change.latest.reference])
            own.note = f"{compared.norm.group}: {compared.norm.source} ({compared.norm.status})"
            own.period = {"start": iso(change.latest.at.day), "end": iso(change.latest.at.day)}
            self._number(own, "percent-of-norm", percent, "%")
        if change.verdict is not None:
            about.note = " ".join(rule_of(change, compared))
            self._add(about, "verdict", {"valueCodeableConcept": _verdict(change.verdict)})

    def _against_error(self, about: _About, change: Change) -> None:
        """Band, reliable change and minimal detectable change, which rest on the baseline."""
        references = _references(change.baseline)
        baseline = about.less(references)
        if change.band is not None:
            self._estimate(baseline, "two-sd-band", change.band, change.unit)
        detectable = change.minimal_detectable_change
        self._number(baseline, "minimal-detectable-change", detectable, change.unit)
        if change.latest is not None:
            both = about.less([*references, change.latest.reference])
            self._number(both, "reliable-change", change.reliable_change)

    def goal(self, goal: GoalProgress) -> None:
        """The level of one goal."""
        if goal.level.achieved is not None:
            inputs = list(goal.level.references)
            about = _About(None, None, inputs, goal.level.rule, focus=[goal.reference])
            about.label = goal.name
            self._add(about, "goal-score", {"valueInteger": goal.level.achieved})

    def attainment(self, progress: Progress) -> None:
        """The T scores."""
        found = progress.attainment
        used = [goal for goal in progress.goals if goal.level.achieved is not None]
        inputs = dict.fromkeys(name for goal in used for name in goal.level.references)
        about = _About(None, None, list(inputs), "; ".join(found.reasons))
        about.focus = [goal.reference for goal in used]
        self._number(about, "goal-attainment-baseline", found.baseline, "{score}")
        self._number(about, "goal-attainment-achieved", found.achieved, "{score}")
        self._number(about, "goal-attainment-change", found.change, "{score}")

    def dose(self, dose: TechniqueDose) -> None:
        """The adherence to one technique, with the reasons for what was left out."""
        missed = ", ".join(f"{name} {count}" for name, count in sorted(dose.missed.items()))
        about = _About(None, None, [], f"Left out: {missed}" if missed else "")
        about.label = label(dose.technique)
        about.subject = dose.technique
        about.events = dose.references
        self._number(about, "adherence", dose.sessions.adherence, "%")

    def response(self, response: TechniqueResponse) -> None:
        """The share of wanted responses of one technique."""
        observed = [r for r in response.references if r.startswith("Observation/")]
        about = _About(None, None, observed)
        about.label = label(response.technique)
        about.subject = response.technique
        about.events = [r for r in response.references if not r.startswith("Observation/")]
        if response.share is not None:
            self._estimate(about, "technique-share", response.share, "1")

    def effect(self, effect: ImmediateEffect) -> None:
        """The change of a measure within sessions."""
        names = ", ".join(label(technique) for technique in effect.techniques)
        note = f"Between: {names}; {effect.pairs} sessions"
        about = _About(effect.measure, effect.site, list(effect.references), note)
        self._estimate(about, "immediate-effect", effect.change, effect.measure.unit or "1")

    def sides(self, sides: Sides) -> None:
        """The asymmetry of two sides."""
        about = _About(sides.measure, None, [sides.left.reference, sides.right.reference])
        self._number(about, "asymmetry-index", sides.result.symmetry_index, "%")

    def within(self, within: WithinSession) -> None:
        """How a measure moved within the sessions."""
        note = f"{within.sessions} sessions; {within.falls} with a fall of {within.fall} or more"
        about = _About(within.measure, within.site, within.references, note)
        self._estimate(about, "within-session-change", within.change, within.measure.unit or "1")

    def agreed(self, agreed: Agreed) -> None:
        """How far two raters agree."""
        raters = " and ".join(agreed.raters)
        about = _About(None, None, agreed.references, f"{raters}. {agreed.rule}")
        about.label = label(agreed.coding)
        about.subject = agreed.coding
        found = agreed.result
        self._number(about, "rater-agreement", 100 * found.share, "%")
        if found.kappa is not None:
            self._estimate(about, "kappa", Estimate(found.kappa, found.low, found.high), "1")

    def _estimate(self, about: _About, code: str, estimate: Estimate, unit: str) -> None:
        ends = [("low", estimate.low), ("high", estimate.high)]
        value: Resource = {"valueQuantity": quantity(estimate.value, unit)}
        parts = [
            {"code": _concept(name), "valueQuantity": quantity(end, unit)}
            for name, end in ends
            if rounded(end) is not None and end is not None
        ]
        if rounded(estimate.value) is not None:
            self._add(about, code, value | ({"component": parts} if parts else {}))

    def _number(self, about: _About, code: str, number: float | None, unit: str = "1") -> None:
        if number is not None and rounded(number) is not None:
            self._add(about, code, {"valueQuantity": quantity(number, unit)})

    def _add(self, about: _About, code: str, value: Resource) -> None:
        formula = computed()[code]
        concept = _concept(code, about.name)
        found: Resource = {
            "resourceType": "Observation",
            "text": _narrative(f"{concept['text']}: {_words(value)}"),
            "basedOn": [{"reference": self.plan}],
            "status": "final",
            "category": about.categories(),
            "code": concept,
            "subject": self.subject,
            "effectivePeriod": about.period or self.period,
            "issued": self.issued,
            "method": {"text": f"{formula['definition']} {_source(formula)}"},
            "device": {"reference": self.device},
        }
        found |= {name: value[name] for name in value if name != "component"}
        if about.events:
            found["partOf"] = [{"reference": reference} for reference in about.events]
        if about.focus:
            found["focus"] = [{"reference": reference} for reference in about.focus]
        if about.site and about.site.get("code"):
            found["bodySite"] = {"coding": [about.site]}
        if about.note:
            found["note"] = [{"text": about.note}]
        if about.inputs:
            found["derivedFrom"] = [{"reference": reference} for reference in about.inputs]
        if "component" in value:
            found["component"] = value["component"]
        key = "|".join((self.plan, code, about.key))
        self.entries.append({"fullUrl": _urn(key), "resource": found})


class _About:
    """What an Observation is about, and what it was computed from."""

    def __init__(
        self,
        measure: Measure | None,
        site: Resource | None,
        inputs: Sequence[str],
        note: str = "",
        focus: Sequence[str] = (),
    ) -> None:
        self.measure = measure
        self.site = site
        self.inputs = inputs
        self.note = note
        self.focus = focus
        self.label = measure.name if measure else ""
        self.subject: Resource | None = None
        self.events: Sequence[str] = ()
        self.period: Resource | None = None

    def less(self, inputs: Sequence[str]) -> _About:
        """The same, computed from some of the values only."""
        found = copy.copy(self)
        found.inputs = list(dict.fromkeys(inputs))
        return found

    @property
    def name(self) -> str:
        """What it is about, and site."""
        return ", ".join(
            part for part in (self.label, label(self.site) if self.site else "") if part
        )

    @property
    def key(self) -> str:
        """Tells it from others under the same code."""
        return f"{self.name}|{','.join(self.focus)}|{self.note if not self.measure else ''}"

    def categories(self) -> list[Resource]:
        """Therapy, and the measure or technique."""
        own = self.measure.coding() if self.measure else self.subject
        if own is None:
            return [_CATEGORY]
        if "code" not in own:
            return [_CATEGORY, {"text": self.label}]
        return [_CATEGORY, {"coding": [own]}]


@functools.cache
def computed() -> Mapping[str, Resource]:
    """The concepts of what is computed, by code."""
    content = orjson.loads(mappings("code-systems", "computed.json").read_bytes())
    return {concept["code"]: concept for concept in content["concept"]}


def _references(values: Sequence[Value]) -> list[str]:
    return [value.reference for value in values]


def _source(concept: Resource) -> str:
    sources: Iterable[str] = (
        part["valueString"] for part in concept["property"] if part["code"] == "source"
    )
    return f"({next(iter(sources))})"


def _concept(code: str, about: str = "") -> Resource:
    display = computed()[code]["display"]
    coding = {"system": _COMPUTED, "code": code, "display": display}
    return {"coding": [coding], "text": f"{display}: {about}" if about else display}


def _verdict(word: str) -> Resource:
    code = word.replace(" ", "-")
    display = word[0].upper() + word[1:]
    return {"coding": [{"system": OWN + "verdict", "code": code, "display": display}]}


def _words(value: Resource) -> str:
    """A value for people."""
    kind, told = next((key, told) for key, told in value.items() if key.startswith("value"))
    if kind == "valueQuantity":
        return f"{told['value']} {told.get('unit', '')}".strip()
    if kind == "valueCodeableConcept":
        return str(told["coding"][0]["display"])
    return str(told)


def _narrative(text: str) -> Resource:
    div = f'<div xmlns="http://www.w3.org/1999/xhtml"><p>{escape(text)}</p></div>'
    return {"status": "generated", "div": div}


def _by_week(unit: str) -> str:
    return f"{unit}/wk" if unit and unit != "1" else "/wk"


def _urn(*names: str) -> str:
    return f"urn:uuid:{uuid.uuid5(_NAMES, '|'.join(names))}"
