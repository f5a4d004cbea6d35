"""What must a therapist look at before this plan, order or session? Warnings, from rules as data.

The rules (`mappings/cautions`) compare techniques with what is known of the client. A warning
defers to the licensed therapist and to local rules. That there is none says only that nothing on
record met a rule: it is never an all-clear.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.therapy.cautions.concerned import Ordered, is_concerned, ordered_in
from service.therapy.cautions.record import Record
from service.therapy.cautions.rules import Rule, Severity, rules
from service.therapy.cautions.signs import Convert, Finding, findings
from service.therapy.techniques import Catalogue, catalogue

__all__ = ["NO_ALL_CLEAR", "Caution", "Record", "cautions"]

Resource = dict[str, Any]

NO_ALL_CLEAR = (
    "Warnings compare the techniques with what is recorded here. What is not recorded is not known:"
    " no warning is no all-clear. Defer to local rules and the licensed therapist."
)

_MOST_SHOWN = 5


@dataclass(frozen=True, slots=True)
class Caution:
    """One rule that was met: by what is on record, and for which techniques.

    `key` is a code of our caution code system.
    """

    key: str
    title: str
    severity: Severity
    wording: str
    source: str
    findings: tuple[Finding, ...]
    techniques: tuple[str, ...]

    @property
    def text(self) -> str:
        """The warning in words."""
        shown = "; ".join(
            f"{each.reference} ({each.text}{', by its words' if each.by_words else ''})"
            for each in self.findings[:_MOST_SHOWN]
        )
        more = len(self.findings) - _MOST_SHOWN
        also = f"; and {more} more" if more > 0 else ""
        return (
            f"{self.title}. {self.wording} On record: {shown}{also}."
            f" Bears on: {'; '.join(self.techniques)}. Source: {self.source}."
        )


def cautions(
    resources: Iterable[Resource],
    record: Record,
    convert: Convert,
    *,
    known: Catalogue | None = None,
    held: Mapping[str, Resource] | None = None,
    by: Sequence[Rule] | None = None,
) -> list[Caution]:
    """The rules met, in the order of their keys.

    `resources` are plans, orders, procedures or definitions of techniques; `held` is what they
    refer to; `known` the techniques, `by` the rules, where they are not those of `mappings`.
    """
    techniques = known or catalogue()
    ordered = [o for each in resources for o in ordered_in(each, techniques, held or {})]
    if not ordered:
        return []
    found = (_caution(rule, ordered, record, convert) for rule in (rules() if by is None else by))
    return [each for each in found if each is not None]


def _caution(
    rule: Rule, ordered: Sequence[Ordered], record: Record, convert: Convert
) -> Caution | None:
    concerned = [each.title for each in ordered if is_concerned(each, rule.concerns)]
    if not concerned:
        return None
    shown = [found for sign in rule.when for found in findings(sign, record, convert)]
    if not shown:
        return None
    return Caution(
        rule.key,
        rule.title,
        rule.severity,
        rule.wording,
        rule.source,
        tuple(_once(shown)),
        tuple(dict.fromkeys(concerned)),
    )


def _once(shown: Iterable[Finding]) -> Iterable[Finding]:
    """Each resource once; found by a code counts more than found by words."""
    best: dict[str, Finding] = {}
    for each in shown:
        kept = best.get(each.reference)
        if kept is None or (kept.by_words and not each.by_words):
            best[each.reference] = each
    return best.values()
