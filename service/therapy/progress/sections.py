"""What does the narrative about a plan say? One section for each part of the answer.

Tables and lists that read without any styling; all text that came from outside is escaped.
R4: http://hl7.org/fhir/R4/narrative.html.
"""

from __future__ import annotations

import functools
import statistics
from collections.abc import Iterable, Sequence
from html import escape

import orjson

from service.data import mappings
from service.therapy.change.series import Change
from service.therapy.direct.agreement import Agreement
from service.therapy.facts import Estimate, facts
from service.therapy.moments import iso
from service.therapy.progress.answer import Progress
from service.therapy.progress.compared import Compared
from service.therapy.progress.parameters import rule_of
from service.therapy.progress.warnings import named
from service.therapy.quantities import interval, shown, shown_unit
from service.therapy.references import label


def sections(progress: Progress) -> list[str]:
    """The XHTML of all sections that have something to say."""
    return [
        *_changes(progress.changes, progress.compared),
        *_norms(progress),
        *_goals(progress),
        *_versions(progress),
        *_doses(progress),
        *_responses(progress),
        *_agreed(progress),
    ]


def _changes(changes: Sequence[Change], others: Sequence[Compared]) -> list[str]:
    heads = [
        "Measure",
        "Better",
        "Baseline median",
        "Baseline n",
        "Treatment n",
        "Last",
        "A week",
        "NAP",
        "Answer",
    ]
    rows = []
    for change in changes:
        nap = change.overlap.nap if change.overlap else None
        latest, before = "–", "–"
        if change.latest is not None:
            number = _with_unit(change.latest.number, change.unit)
            latest = f"{number} ({iso(change.latest.at.day)})"
        if change.baseline:
            middle = statistics.median(value.number for value in change.baseline)
            before = _with_unit(middle, change.unit)
        rows.append(
            [
                named(change),
                change.measure.direction or "neither",
                before,
                str(len(change.baseline)),
                str(len(change.treatment)),
                latest,
                interval(change.line.per_week if change.line else None),
                interval(nap),
                change.verdict or "no verdict",
            ]
        )
    lines = [
        f"{named(change)}: {' '.join([*rule_of(change, compared), *_projected(change)])}"
        for change, compared in zip(changes, others, strict=True)
    ]
    return section("Change", heads, rows, lines)


def _projected(change: Change) -> list[str]:
    """When the line would reach the target; empty where that is met, or there is no date."""
    found = change.projection
    if found.day is None or change.target is None or found.day <= change.treatment[-1].at.day:
        return []
    ends = (("at the earliest", found.earliest), ("at the latest", found.latest))
    told = "".join(f", {iso(day)} {words}" for words, day in ends if day is not None)
    target = _with_unit(change.target, change.unit)
    return [
        f"If the line went on, it would reach the target of {target} on {iso(found.day)}{told}."
    ]


def _norms(progress: Progress) -> list[str]:
    """The last values beside published norms and limits, and the two sides."""
    rows, lines = [], []
    for change, compared in zip(progress.changes, progress.compared, strict=True):
        if change.latest is None:
            continue
        last = _with_unit(change.latest.number, change.unit)
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
    return section("Beside published norms and limits", heads, rows, lines)


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
    return section("Goals", heads, rows, lines if rows else [])


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
    return section("This version of the plan against the one before", heads, rows, [])


def _doses(progress: Progress) -> list[str]:
    heads = [
        "Technique",
        "Sessions ordered",
        "Sessions given",
        "%",
        "Band",
        "Strokes on the left",
        "Strokes on the right",
        "Sessions not given, and why",
    ]
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
        lines.append(f"Bands of adherence: {source['source']} ({source['status']}).")
    return section("Dose", heads, rows, lines)


def _responses(progress: Progress) -> list[str]:
    heads = [
        "Technique",
        "Sessions",
        "With the wanted response",
        "Share",
        "First half",
        "Second half",
        "Wanted in single trials",
    ]
    rows = [
        [
            label(response.technique),
            str(response.sessions),
            str(response.wanted),
            interval(response.share),
            shown(response.early),
            shown(response.late),
            f"{response.wanted_trials} of {response.trials}" if response.trials else "–",
        ]
        for response in progress.responses
    ]
    lines = [f"Wanted, as recorded for a session: {_wanted()}"] if rows else []
    lines += [
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
    return section("Responses to techniques", heads, rows, lines)


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
    return section("Agreement of two raters", heads, rows, lines)


@functools.cache
def _wanted() -> str:
    """What a wanted response is, as its concept says."""
    content = orjson.loads(mappings("code-systems", "response.json").read_bytes())
    return next(str(c["definition"]) for c in content["concept"] if c["code"] == "wanted")


def _with_unit(number: float, unit: str) -> str:
    return f"{shown(number, 4)} {shown_unit(unit)}".strip()


def _kappa(found: Agreement) -> Estimate | None:
    return None if found.kappa is None else Estimate(found.kappa, found.low, found.high)


def section(
    title: str, heads: Sequence[str], rows: Sequence[Sequence[str]], lines: Iterable[str]
) -> list[str]:
    """A heading, a table and a list, as far as there is something in them."""
    items = "".join(f"<li>{safe(line)}</li>" for line in lines)
    if not rows and not items:
        return []
    found = [f"<h3>{safe(title)}</h3>"]
    if rows:
        head = "".join(f"<th>{safe(text)}</th>" for text in heads)
        body = "".join(
            f"<tr>{''.join(f'<td>{safe(cell)}</td>' for cell in row)}</tr>" for row in rows
        )
        found.append(f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>")
    if items:
        found.append(f"<ul>{items}</ul>")
    return found


def safe(text: str) -> str:
    """Text that came from outside."""
    return escape(text, quote=True)
