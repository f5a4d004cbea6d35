"""The answer as a DiagnosticReport with a narrative that reads without any styling.

Preliminary: a person who may judge it has not signed it. All text that came from outside is
escaped. R4: http://hl7.org/fhir/R4/diagnosticreport.html, http://hl7.org/fhir/R4/narrative.html.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape
from typing import Any

from service.therapy.change.series import Change
from service.therapy.course.course import period_words
from service.therapy.direct.agreement import Agreement
from service.therapy.facts import Estimate, facts
from service.therapy.moments import iso
from service.therapy.progress.answer import Progress
from service.therapy.progress.compared import Compared
from service.therapy.progress.parameters import rule_of
from service.therapy.progress.warnings import DEFER, named
from service.therapy.references import label

Resource = dict[str, Any]

_PROGRESS_NOTE = {
    "system": "http://loinc.org",
    "code": "11512-1",
    "display": "Speech-language pathology Progress note",
}


def report(progress: Progress, issued: str) -> Resource:
    """The DiagnosticReport."""
    course = progress.course
    first, last = course.first_day, iso(course.last_day)
    period = {"start": iso(first)} if first is not None and first <= course.last_day else {}
    results = [change.latest.reference for change in progress.changes if change.latest]
    found: Resource = {
        "resourceType": "DiagnosticReport",
        "text": {"status": "generated", "div": narrative(progress)},
        "basedOn": [{"reference": course.plan}],
        "status": "preliminary",
        "category": [{"text": "Speech-language pathology"}],
        "code": {"coding": [_PROGRESS_NOTE], "text": "Computed progress of a plan of care"},
        "subject": course.material.plan["subject"],
        "effectivePeriod": period | {"end": last},
        "issued": issued,
    }
    if results:
        found["result"] = [{"reference": name} for name in dict.fromkeys(results)]
    found["conclusion"] = conclusion(progress)
    return found


def conclusion(progress: Progress) -> str:
    """Which measures go which way, and how the goals stand, in two or three sentences."""
    words = []
    for verdict in ("improving", "worsening", "no reliable change", "too few data"):
        names = [named(change) for change in progress.changes if change.verdict == verdict]
        if names:
            words.append(f"{verdict[0].upper()}{verdict[1:]}: {', '.join(names)}.")
    change = progress.attainment.change
    if change is not None:
        words.append(
            f"Goal attainment T {progress.attainment.achieved:.1f}"
            f" ({change:+.1f} from {progress.attainment.baseline:.1f})."
        )
    if not words:
        words.append("Nothing to be computed from yet.")
    return " ".join([*words, facts("change")["limits"], DEFER])


def narrative(progress: Progress) -> str:
    """The XHTML of all sections that have something to say."""
    title = str(progress.course.material.plan.get("title") or "Plan of care")
    body = [
        f"<h2>Progress: {_safe(title)}</h2>",
        f"<p>{_safe(period_words(progress.course))}. Computed, not yet judged by a therapist.</p>",
        f"<p>{_safe(conclusion(progress))}</p>",
        *_section("Cautions", [], [], progress.cautions),
        *_changes(progress.changes, progress.compared),
        *_norms(progress),
        *_goals(progress),
        *_versions(progress),
        *_doses(progress),
        *_responses(progress),
        *_agreed(progress),
    ]
    return f'<div xmlns="http://www.w3.org/1999/xhtml">{"".join(body)}</div>'


def shown(number: float | None, digits: int = 3) -> str:
    """A number for people; a dash where there is none."""
    if number is None:
        return "–"
    text = f"{number:.{digits}g}"
    return f"{number:.0f}" if "e" in text and abs(number) < 1e9 else text


def interval(estimate: Estimate | None) -> str:
    """A number with its interval, for people."""
    if estimate is None:
        return "–"
    if estimate.low is None or estimate.high is None:
        return shown(estimate.value)
    return f"{shown(estimate.value)} ({shown(estimate.low)} to {shown(estimate.high)})"


def _changes(changes: Sequence[Change], others: Sequence[Compared]) -> list[str]:
    heads = ["Measure", "Better", "Baseline n", "Treatment n", "Last", "A week", "NAP", "Answer"]
    rows = []
    for change in changes:
        nap = change.overlap.nap if change.overlap else None
        latest = "–"
        if change.latest is not None:
            number = f"{shown(change.latest.number, 4)} {_unit(change.unit)}".strip()
            latest = f"{number} ({iso(change.latest.at.day)})"
        rows.append(
            [
                named(change),
                change.measure.direction or "neither",
                str(len(change.baseline)),
                str(len(change.treatment)),
                latest,
                interval(change.line.per_week if change.line else None),
                interval(nap),
                change.verdict or "no verdict",
            ]
        )
    lines = [
        f"{named(change)}: {' '.join(rule_of(change, compared))}"
        for change, compared in zip(changes, others, strict=True)
    ]
    return _section("Change", heads, rows, lines)


def _norms(progress: Progress) -> list[str]:
    """The last values beside published norms and limits, and the two sides."""
    rows, lines = [], []
    for change, compared in zip(progress.changes, progress.compared, strict=True):
        if change.latest is None:
            continue
        last = f"{shown(change.latest.number, 4)} {_unit(change.unit)}".strip()
        if compared.norm is not None:
            norm = compared.norm
            percent = f"{norm.percent(change.latest.number):.0f} %"
            z = f"{norm.z(change.latest.number):+.2f}"
            rows.append([named(change), last, percent, z, f"{norm.words} ({norm.status})"])
        for limit in compared.limits:
            side = "outside" if limit.abnormal else "within"
            lines.append(f"{named(change)}, {last}, lies {side}: {limit.words}")
    for sides in progress.sides:
        lines.append(
            f"{sides.measure.name}: left {shown(sides.left.number)}, right"
            f" {shown(sides.right.number)} {sides.measure.unit or ''} on"
            f" {iso(sides.right.at.day)}: the weaker side has {sides.result.ratio:.0f} % of the"
            f" stronger, asymmetry index {sides.result.symmetry_index:+.1f} %."
        )
    heads = ["Measure", "Last", "Of the norm", "z", "Norm"]
    return _section("Beside published norms and limits", heads, rows, lines)


def _goals(progress: Progress) -> list[str]:
    rows = [
        [
            goal.name,
            shown(goal.level.baseline),
            shown(goal.level.achieved),
            shown(goal.weight),
            goal.status or "–",
            goal.proposed,
            goal.level.rule,
        ]
        for goal in progress.goals
    ]
    heads = ["Goal", "Before", "Now", "Weight", "Status", "Proposed", "Why"]
    found = progress.attainment
    lines = list(found.reasons)
    if found.achieved is not None:
        lines.append(
            f"T score {shown(found.achieved, 4)}, at baseline {shown(found.baseline, 4)},"
            f" over {found.goals} goals."
        )
    return _section("Goals", heads, rows, lines if rows else [])


def _versions(progress: Progress) -> list[str]:
    rows = [
        [
            change.measure.name + (f", {label(change.site)}" if change.site else ""),
            change.before,
            str(change.before_count),
            str(change.count),
            interval(change.overlap.nap if change.overlap else None),
            change.verdict or "no verdict",
        ]
        for change in progress.versions
    ]
    heads = ["Measure", "Before", "n before", "n now", "NAP", "Answer"]
    return _section("This version of the plan against the one before", heads, rows, [])


def _doses(progress: Progress) -> list[str]:
    heads = ["Technique", "Ordered", "Given", "%", "Band", "Left", "Right", "Left out"]
    rows = [
        [
            label(dose.technique),
            shown(dose.sessions.ordered),
            shown(dose.sessions.given),
            shown(dose.sessions.adherence),
            dose.band or "–",
            shown(dose.left, 6),
            shown(dose.right, 6),
            ", ".join(f"{name} {count}" for name, count in sorted(dose.missed.items())) or "–",
        ]
        for dose in progress.doses
    ]
    lines = [text for dose in progress.doses for text in dose.published]
    if rows:
        source = facts("doses")["adherence"]
        lines.append(f"Sessions. Bands of adherence: {source['source']} ({source['status']}).")
    return _section("Dose", heads, rows, lines)


def _responses(progress: Progress) -> list[str]:
    heads = ["Technique", "Sessions", "Wanted", "Share", "First half", "Second half"]
    rows = [
        [
            label(response.technique),
            str(response.sessions),
            str(response.wanted),
            interval(response.share),
            shown(response.early),
            shown(response.late),
        ]
        for response in progress.responses
    ]
    lines = [
        f"{effect.measure.name}: {interval(effect.change)} {effect.measure.unit or ''} from before"
        f" to after {', '.join(label(technique) for technique in effect.techniques)}"
        f" (median of {effect.pairs} sessions)."
        for effect in progress.effects
    ]
    lines += [
        f"{one.measure.name} within {one.sessions} sessions: first value {shown(one.first)}, lowest"
        f" later one {shown(one.lowest)}, last less first {interval(one.change)} (medians);"
        f" {one.falls} sessions with a fall of {one.fall} points or more."
        for one in progress.within
    ]
    lines += [
        f"{label(response.technique)}: {response.delay.trials} timed responses, mean"
        f" {shown(response.delay.mean)} s, median {shown(response.delay.median)} s, standard"
        f" deviation {shown(response.delay.spread)} s."
        for response in progress.responses
        if response.delay is not None
    ]
    return _section("Responses to techniques", heads, rows, lines)


def _agreed(progress: Progress) -> list[str]:
    rows = [
        [
            label(each.coding),
            " and ".join(each.raters),
            str(each.result.ratings),
            f"{100 * each.result.share:.0f} %",
            interval(_kappa(each.result)),
        ]
        for each in progress.agreed
    ]
    heads = ["Rated", "Raters", "Pairs", "Same answer", "Kappa"]
    lines = [f"{label(each.coding)}: {each.rule}" for each in progress.agreed]
    return _section("Agreement of two raters", heads, rows, lines)


def _kappa(found: Agreement) -> Estimate | None:
    return None if found.kappa is None else Estimate(found.kappa, found.low, found.high)


def _section(
    title: str, heads: Sequence[str], rows: Sequence[Sequence[str]], lines: Iterable[str]
) -> list[str]:
    """A heading, a table and a list, as far as there is something in them."""
    items = "".join(f"<li>{_safe(line)}</li>" for line in lines)
    if not rows and not items:
        return []
    found = [f"<h3>{_safe(title)}</h3>"]
    if rows:
        head = "".join(f"<th>{_safe(text)}</th>" for text in heads)
        body = "".join(
            f"<tr>{''.join(f'<td>{_safe(cell)}</td>' for cell in row)}</tr>" for row in rows
        )
        found.append(f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>")
    if items:
        found.append(f"<ul>{items}</ul>")
    return found


def _unit(code: str) -> str:
    """A unit for people: what UCUM has in braces is no unit."""
    return "" if code.startswith("{") or code == "1" else code


def _safe(text: str) -> str:
    return escape(text, quote=True)
