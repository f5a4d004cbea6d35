"""What is told back? One answer a session, as plain JSON or as an OperationOutcome."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

from service.errors import Issue, outcome, shown
from service.intake.deciding import Decision

Json = dict[str, Any]

_DONE = {
    "stored": "stored",
    "unchanged": "unchanged: it was stored before",
    "corrected": "corrected",
}


@dataclass(slots=True)
class SessionAnswer:
    """What became of one session; `number` is its place among the sessions sent, from 0."""

    number: int
    session: str | None
    status: Decision
    issues: Sequence[Issue] = ()
    revision: int | None = None
    encounter: str | None = None
    resources: Sequence[str] = field(default_factory=tuple)
    rows: Sequence[int] = ()
    http: int | None = None
    written: int = 0
    """How many versions were written."""

    @property
    def http_status(self) -> int:
        """The status it would have alone."""
        if self.status == "stored":
            return 201
        if self.status != "refused":
            return 200
        if self.http is not None:
            return self.http
        codes = {issue.code for issue in self.issues if issue.severity in ("error", "fatal")}
        if "structure" in codes or "required" in codes:
            return 400
        return 409 if "conflict" in codes else 422

    def as_json(self) -> Json:
        """The answer in plain JSON."""
        found: Json = {"number": self.number, "session": self.session, "status": self.status}
        if self.revision is not None:
            found["revision"] = self.revision
        if self.encounter is not None:
            found["encounter"] = self.encounter
            found["resources"] = list(self.resources)
        if self.rows:
            found["rows"] = list(self.rows)
        found["issues"] = plain(self.issues)
        return found

    def as_issues(self) -> list[Issue]:
        """The answer as findings of an OperationOutcome."""
        name = f"Session {self.session or self.number}"
        found = []
        if self.status != "refused":
            where = f" as {self.encounter}" if self.encounter else ""
            text = f"{name} {_DONE[self.status]}{where}"
            found.append(Issue("information", "informational", text))
        elif not self.issues:
            found.append(Issue("error", "processing", f"{name} was refused"))
        return found + [
            Issue(each.severity, each.code, f"{name}: {each.text}", each.expression, each.location)
            for each in self.issues
        ]


def status_of(answers: Sequence[SessionAnswer]) -> int:
    """The HTTP status of a request: 207 where some were taken and some refused."""
    refused = [answer for answer in answers if answer.status == "refused"]
    if not refused:
        return 201 if any(answer.status == "stored" for answer in answers) else 200
    if len(refused) < len(answers):
        return 207
    statuses = {answer.http_status for answer in refused}
    return statuses.pop() if len(statuses) == 1 else min(statuses)


def as_json(answers: Sequence[SessionAnswer]) -> Json:
    """All answers in plain JSON."""
    counts = Counter(answer.status for answer in answers)
    summary = {
        name: counts.get(name, 0) for name in ("stored", "unchanged", "corrected", "refused")
    }
    return {"summary": summary, "sessions": [answer.as_json() for answer in answers]}


def as_outcome(answers: Sequence[SessionAnswer]) -> Json:
    """All answers as an OperationOutcome."""
    return outcome(issue for answer in answers for issue in answer.as_issues())


def plain(issues: Iterable[Issue]) -> list[Json]:
    """Findings in plain JSON."""
    found = []
    for issue in issues:
        where = issue.location or issue.expression
        told = {"severity": issue.severity, "code": issue.code, "text": shown(issue.text)}
        found.append(told | ({"where": shown(where)} if where else {}))
    return found
