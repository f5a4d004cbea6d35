"""Section: what is planned, what is to be reached, and how near is it?"""

from __future__ import annotations

from service.handover.care_document.markup import Node, listing, pairs, paragraph, table
from service.handover.care_document.material import Material, Resource
from service.handover.care_document.section import Section
from service.handover.care_document.words import (
    amount_words,
    code_words,
    concepts,
    date_words,
    number_words,
    period_words,
    said,
)
from service.therapy.progress.goals import GoalProgress
from service.therapy.references import named, target


def plan_and_goals(material: Material) -> Section:
    """The plan, and a row a goal: target, due day, level before and now, status, proposal."""
    plan = material.plan
    goals = {named(goal): goal for goal in material.of["Goal"]}
    told = [goal for goal in material.progress.goals if goal.reference in goals]
    rows = [_row(goal, goals[goal.reference]) for goal in told]
    heads = ["Goal", "Target", "Due", "Before", "Now", "Recorded as", "Numbers suggest"]
    return Section(
        "plan-goals",
        "Plan and goals",
        ("18776-5", "Plan of treatment (narrative)"),
        [
            *pairs("Plan of care", _about(material)),
            *table("Goals", heads, rows),
            *_attainment(material, bool(rows)),
        ],
        [named(plan), *(goal.reference for goal in told)],
        "unavailable",
        "No goal is recorded.",
        target(plan.get("author"), material.base),
    )


def target_words(row: Resource) -> str:
    """A target of a goal: what is measured, and what it should come to."""
    low, high = (amount_words((row.get("detailRange") or {}).get(end)) for end in ("low", "high"))
    both = f"{low} to {high}" if low and high else f"{low} or more" if low else ""
    aim = both or (f"{high} or less" if high else "") or amount_words(row.get("detailQuantity"))
    aim = aim or said(row.get("detailCodeableConcept")) or str(row.get("detailString") or "")
    if not aim and "detailInteger" in row:
        aim = str(row["detailInteger"])
    if not aim and "detailRatio" in row:
        ratio = row["detailRatio"]
        aim = " to ".join(amount_words(ratio.get(end)) for end in ("numerator", "denominator"))
    measure = said(row.get("measure"))
    return ": ".join(text for text in (measure, aim) if text)


def _about(material: Material) -> list[tuple[str, str]]:
    plan = material.plan
    return [
        ("Plan", str(plan.get("title") or named(plan))),
        ("State", code_words(plan.get("status"))),
        ("Time", period_words(plan.get("period"))),
        ("Kind", concepts(plan.get("category"))),
        ("Written by", material.name(plan.get("author"))),
    ]


def _row(progress: GoalProgress, goal: Resource) -> list[str]:
    rows = goal.get("target", ())
    due = [date_words(row.get("dueDate")) for row in rows if row.get("dueDate")]
    recorded = (said(goal.get("achievementStatus")), code_words(goal.get("lifecycleStatus")))
    return [
        progress.name,
        "; ".join(text for text in map(target_words, rows) if text),
        ", ".join(dict.fromkeys(due)),
        _level(progress.level.baseline),
        _level(progress.level.achieved),
        ", ".join(text for text in recorded if text),
        code_words(progress.proposed),
    ]


def _level(score: int | None) -> str:
    return "" if score is None else f"{score:+d}" if score else "0"


def _attainment(material: Material, has_goals: bool) -> list[Node]:
    if not has_goals:
        return [paragraph("No goal is recorded.")]
    found = material.progress.attainment
    lines = [
        "Before and now: goal attainment from -2 (much less than expected) over 0 (as expected) to"
        " +2 (much better). What the numbers suggest is no decision; the therapist decides."
    ]
    if found.achieved is not None:
        before = f", {number_words(found.baseline)} before" if found.baseline is not None else ""
        lines.append(
            f"Goal attainment T score: {number_words(found.achieved)}{before},"
            f" over {found.goals} {'goal' if found.goals == 1 else 'goals'}."
        )
    lines += [reason[0].upper() + reason[1:] + "." for reason in found.reasons if reason]
    return listing(lines)
