"""Which Observations follow from an answered form, or why do none?

Structured Data Capture 4.0, QuestionnaireResponse/$extract: only completed and amended responses;
the answers are checked against the form, calculated items are computed anew, and a score whose
answers are missing is made by the instrument's own rule or not at all.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

from service.errors import Invalid, Issue, TooCostly
from service.standard.questionnaires.answers import answer_issues
from service.standard.questionnaires.bounds import bounds_of, in_words
from service.standard.questionnaires.calculation import Calculation
from service.standard.questionnaires.form import Form, FormItem, Json, read_form
from service.standard.questionnaires.heads import head_of
from service.standard.questionnaires.identity import criterion, identity_of
from service.standard.questionnaires.observations import Drafts, ordered
from service.standard.questionnaires.results import differs
from service.standard.questionnaires.scores import Gap, Score, gaps_in, gaps_of, score_of
from service.standard.questionnaires.working import (
    Working,
    answers_below,
    items_below,
)
from service.standard.validation.fhirpath.budget import Budget, BudgetError

_READY = ("completed", "amended")


@dataclass(frozen=True, slots=True)
class Extraction:
    """Entries of the transaction (empty where nothing was extracted), and what there is to tell.

    `count` is the number of Observations in them.
    """

    entries: tuple[Json, ...]
    issues: tuple[Issue, ...]
    count: int

    def bundle(self) -> Json:
        """The transaction that stores what was extracted, once."""
        return {"resourceType": "Bundle", "type": "transaction", "entry": list(self.entries)}


def extract(response: Json, questionnaire: Json) -> Extraction:
    """Extract from a valid response to a valid form.

    Raises Invalid (422) with every answer that does not fit, or where missing answers leave
    nothing to extract; TooCostly where the form takes too much to compute.
    """
    _require_ready(response)
    form = read_form(questionnaire)
    wrong = answer_issues(form, response)
    if wrong:
        raise Invalid(issues=wrong, status=422)
    try:
        return _extracted(form, response, Budget())
    except BudgetError as error:
        raise TooCostly(str(error), expression="Questionnaire.item") from None


def _extracted(form: Form, response: Json, budget: Budget) -> Extraction:
    working, calculation = _calculated(form, response, budget)
    issues = [*working.issues, *_corrections(form, response, working)]
    issues += [_passed_over(given) for given in calculation.passed_over]
    unmade = _unmade_scores(form, response, working, calculation)
    drafts = Drafts(form, head_of(response, issues), identity_of(response))
    drafts.gather(working.root, form.items, None)
    issues += drafts.issues
    if unmade and not drafts.made:
        missing = dict.fromkeys(_missing(gap) for _, gaps in unmade for gap in gaps)
        raise Invalid(issues=[*(issue for issue, _ in unmade), *missing], status=422)
    issues += [replace(issue, severity="warning") for issue, _ in unmade]
    if not drafts.made:
        text = "Nothing in the response is to be extracted"
        issues.append(Issue("information", "informational", text))
    entries = tuple(_entries(drafts)) if drafts.made else ()
    return Extraction(entries, tuple(issues), len(drafts.made))


def _require_ready(response: Json) -> None:
    status = response.get("status")
    if status not in _READY:
        raise Invalid(
            f"Only a completed or amended response can be extracted, not one that is {status}",
            code="business-rule",
            expression="QuestionnaireResponse.status",
            status=422,
        )


def _calculated(form: Form, response: Json, budget: Budget) -> tuple[Working, Calculation]:
    """The response with its calculated items. First as it was answered, to see whether the form
    forbids that; then without what was not to be asked."""
    told: list[Issue] = []
    if form.has_constraints:
        as_answered = Calculation(Working(form, response, budget), asked_only=False)
        as_answered.run()
        told = list(as_answered.broken_constraints())
    if any(issue.severity == "error" for issue in told):
        raise Invalid(issues=told, status=422)
    working = Working(form, response, budget)
    working.issues += told
    calculation = Calculation(working, asked_only=True)
    calculation.run()
    unanswered = [
        _missing(gap)
        for item in form.by_link.values()
        if item.required and not item.calculates and item.link_id not in calculation.disabled
        for gap in _required_gaps(form, working, item)
    ]
    if unanswered:
        raise Invalid(issues=unanswered, status=422)
    return working, calculation


def _required_gaps(form: Form, working: Working, item: FormItem) -> Iterator[Gap]:
    """A required item is missing where what it lies in is there."""
    above = item.parent
    for gap in gaps_in(form, working.root, item):
        if above is None or any(g["linkId"] == above.link_id for g in items_below(working.root)):
            yield gap


def _corrections(form: Form, response: Json, working: Working) -> Iterator[Issue]:
    """Where the response has another result than the formula: a read-only one is corrected."""
    said = Working(form, response, working.budget).root
    before, after = answers_below(said), answers_below(working.root)
    for item in form.calculated:
        stored, computed = before.get(item.link_id, []), after.get(item.link_id, [])
        if stored and item.read_only and differs(stored, computed):
            yield Issue(
                "warning",
                "business-rule",
                f"The response has {_shown(stored)} for {item.link_id!r}; computed from its"
                f" answers it is {_shown(computed)}, which is taken",
                next(g.place for g in items_below(said) if g["linkId"] == item.link_id),
            )


def _unmade_scores(
    form: Form, response: Json, working: Working, calculation: Calculation
) -> list[tuple[Issue, list[Gap]]]:
    """Scores that cannot be made, each with the answers that are missing; they are taken out."""
    found = []
    made = answers_below(working.root)
    for item in form.calculated:
        score = score_of(item)
        if score is None or item.link_id in calculation.disabled:
            continue
        is_made = item.link_id in made
        gaps = gaps_of(score, form, working.root, calculation.disabled)
        if not gaps or (is_made and score.rule != "all"):
            continue
        for given in items_below(working.root):
            if given["linkId"] == item.link_id:
                given.pop("answer", None)
        found.append((_unmade(score, gaps, working, response), gaps))
    return found


def _unmade(score: Score, gaps: list[Gap], working: Working, response: Json) -> Issue:
    named = ", ".join(gap.item.link_id for gap in gaps)
    parts = [f"{score.item.link_id} cannot be computed without {named}"]
    if score.rule == "all":
        bounds = bounds_of(score, working.form, response, working.budget)
        parts += in_words(score, bounds) if bounds else []
    parts += [score.rule_reason] if score.rule_reason else []
    return Issue("error", "incomplete", ". ".join(parts), gaps[0].place)


def _missing(gap: Gap) -> Issue:
    return Issue("error", "required", f"{gap.item.link_id} has no answer", gap.place)


def _passed_over(given: Any) -> Issue:
    text = f"{given['linkId']} was not to be asked, given the other answers; it does not count"
    return Issue("warning", "business-rule", text, given.place)


def _shown(values: list[Any]) -> str:
    told = [str(v.get("code", v)) if isinstance(v, dict) else str(v) for v in values]
    return ", ".join(told)[:80] or "nothing"


def _entries(drafts: Drafts) -> Iterator[Json]:
    """The response itself first, where it has no id yet that could be referred to.

    What an amended response says replaces what was extracted before.
    """
    if drafts.identity.entry is not None:
        yield drafts.identity.entry
    for draft in drafts.made:
        resource = ordered(draft.content)
        condition = criterion(resource["identifier"][0])
        request = {"method": "POST", "url": "Observation", "ifNoneExist": condition}
        if resource["status"] == "amended":
            request = {"method": "PUT", "url": f"Observation?{condition}"}
        yield {"fullUrl": draft.full_url, "resource": resource, "request": request}
