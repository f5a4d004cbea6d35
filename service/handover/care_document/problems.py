"""Section: why is the client treated, and what else is the matter?"""

from __future__ import annotations

from service.handover.care_document.markup import paragraph, table
from service.handover.care_document.material import Material, Resource
from service.handover.care_document.section import Section
from service.handover.care_document.words import (
    concepts,
    date_words,
    said,
)
from service.therapy.references import named, targets

_OVER = frozenset({"inactive", "remission", "resolved"})
PROBLEM_HEADS = ["Problem", "State", "Since", "Where"]
_HEADS = [PROBLEM_HEADS[0], "Reason for this plan", *PROBLEM_HEADS[1:]]


def problems(material: Material) -> Section:
    """Conditions: those the plan is for first, then the others, then what is over."""
    reasons = set(targets(material.plan.get("addresses"), material.base))
    ranked = sorted(material.of["Condition"], key=lambda c: (named(c) not in reasons, is_over(c)))
    rows = [_row(condition, reasons) for condition in ranked]
    body = table("Problems", _HEADS, rows)
    told = said(material.plan.get("description") and {"text": material.plan["description"]})
    if told:
        body = [paragraph(f"The plan in short: {told}"), *body]
    return Section(
        "reason-problems",
        "Reason and problems",
        ("11450-4", "Problem List"),
        body,
        [named(condition) for condition in ranked],
        "unavailable",
        "No problem is recorded.",
    )


def _row(condition: Resource, reasons: set[str]) -> list[str]:
    name, *rest = problem_row(condition)
    return [name, "yes" if named(condition) in reasons else "no", *rest]


def problem_row(condition: Resource) -> list[str]:
    """What it is, its state, since when, and where."""
    sure = said(condition.get("verificationStatus"))
    state = ", ".join(text for text in (said(condition.get("clinicalStatus")), sure) if text)
    severity = said(condition.get("severity"))
    since = condition.get("onsetDateTime") or (condition.get("onsetPeriod") or {}).get("start")
    return [
        said(condition.get("code")) + (f" ({severity})" if severity else ""),
        state,
        date_words(since) or str(condition.get("onsetString") or ""),
        concepts(condition.get("bodySite")),
    ]


def is_over(condition: Resource) -> bool:
    """Whether it is a problem of former times."""
    codings = (condition.get("clinicalStatus") or {}).get("coding", ())
    return next((c.get("code") for c in codings), "") in _OVER
