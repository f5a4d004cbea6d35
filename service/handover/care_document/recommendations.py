"""Section: what do those who treated the client advise? As ordered and noted, nothing else."""

from __future__ import annotations

from collections.abc import Iterable

from service.handover.care_document.cautions import diet_row, orders_in_force
from service.handover.care_document.markup import Node, listing, paragraph, table
from service.handover.care_document.material import Material, Resource
from service.handover.care_document.section import Section
from service.handover.care_document.treatment import order_row
from service.handover.care_document.words import code_words, time_words
from service.therapy.progress.warnings import DEFER
from service.therapy.references import named

_NOTES = 10


def recommendations(material: Material) -> Section:
    """Techniques and diets ordered now, what was noted on the plan, what the numbers suggest."""
    orders = [one for one in material.progress.course.orders if one.status == "active"]
    diets = orders_in_force(material)
    body: list[Node] = [
        *table("Techniques ordered now", _ORDERED, map(order_row, orders)),
        *table(
            "Diet ordered now", ["Food", "Fluids", "Instruction", "Since"], map(diet_row, diets)
        ),
        *_noted(material),
        *listing(_suggested(material)),
    ]
    references = [order.reference for order in orders if order.reference]
    return Section(
        "recommendations",
        "Recommendations",
        ("69730-0", "Instructions [Text] Narrative"),
        [*body, paragraph(DEFER)] if body else [],
        [*references, *(named(diet) for diet in diets)],
        "unavailable",
        "No order is in force and nothing is noted on the plan.",
    )


_ORDERED = ["Technique", "Dose in one session", "How often", "When", "State"]


def _noted(material: Material) -> list[Node]:
    notes = material.plan.get("note", ())
    rows = [_note_row(material, note) for note in reversed(notes[-_NOTES:])]
    more = len(notes) - len(rows)
    told = [paragraph(f"{more} older notes are in the plan.")] if more > 0 else []
    return [*table("Noted on the plan, newest first", ["When", "Note", "By"], rows), *told]


def _note_row(material: Material, note: Resource) -> list[str]:
    by = note.get("authorString") or material.name(note.get("authorReference"))
    return [time_words(note.get("time")), str(note.get("text", "")), str(by)]


def _suggested(material: Material) -> Iterable[str]:
    for goal in material.progress.goals:
        if goal.proposed != goal.status:
            recorded = code_words(goal.status) or "nothing"
            yield (
                f"Goal {goal.name}: the numbers suggest {code_words(goal.proposed)}, recorded is"
                f" {recorded}. To be judged by the therapist."
            )
