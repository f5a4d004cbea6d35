"""What can go wrong, and how is it told?

Everything that is refused anywhere in the service is raised as one family and becomes an
OperationOutcome in one place (`outcome_of`)::

    HyoidError
      x Malformed            400  not JSON, not FHIR JSON, a header or parameter that cannot be read
      x Invalid              400  understood, but breaks a rule of R4 (422 where only codes or
                                  business rules are broken)
      x NotSupported         400  understood, not offered here
      x TooCostly            400  would touch too much of the store
        x NoRoom             400  has more bytes of resources than one answer may have
      x NotAuthenticated     401
      x Forbidden            403
      x NotFound             404
      x MethodNotAllowed     405
      x NotAcceptable        406
      x Conflict             409
      x Gone                 410
      x PreconditionFailed   412
      x TooLarge             413
      x UnsupportedMediaType 415
      x Throttled            429
      x Unavailable          503

Issue codes: http://hl7.org/fhir/issue-type (R4, required binding).
"""

from __future__ import annotations

import logging
import re
import secrets
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Literal

log = logging.getLogger("hyoid")

_UNFIT = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff]")

_LONGEST = 1000
_LONGEST_WORD = 160
"""Longer than the addresses that are told of in earnest."""
_LONG_WORD = re.compile(rf"\S{{{_LONGEST_WORD + 1},}}")

Severity = Literal["fatal", "error", "warning", "information"]


@dataclass(frozen=True, slots=True)
class Issue:
    """One finding: what is wrong (`code`, `text`) and where (`expression`, a simple FHIRPath).

    `location` is for places that have no FHIRPath: `line 3, column 7`, `http.If-Match`.
    """

    severity: Severity
    code: str
    text: str
    expression: str | None = None
    location: str | None = None

    def as_fhir(self) -> dict[str, Any]:
        """This finding as an OperationOutcome.issue."""
        text = shown(self.text)
        issue: dict[str, Any] = {
            "severity": self.severity,
            "code": self.code,
            "details": {"text": text},
            "diagnostics": text,
        }
        if self.expression:
            issue["expression"] = [shown(self.expression)]
        if self.location:
            issue["location"] = [shown(self.location)]
        return issue


def shown(text: str) -> str:
    """What a client sent may be told back, but not at any length, and no character that a FHIR
    string must not have."""
    if len(text) > _LONGEST_WORD:
        text = _LONG_WORD.sub(lambda word: f"{word[0][:_LONGEST_WORD]}…", text)
        if len(text) > _LONGEST:
            text = f"{text[:_LONGEST]}…"
    return text if text.isprintable() else _UNFIT.sub("\ufffd", text)


class HyoidError(Exception):
    """A refusal: an HTTP status, one or more issues, and headers the answer must carry."""

    status = 500
    code = "exception"

    def __init__(
        self,
        text: str = "",
        *,
        code: str | None = None,
        expression: str | None = None,
        location: str | None = None,
        issues: Iterable[Issue] = (),
        status: int | None = None,
        headers: Mapping[str, str] | None = None,
    ) -> None:
        self.issues: tuple[Issue, ...] = tuple(issues) or (
            Issue("error", code or self.code, text, expression, location),
        )
        super().__init__("; ".join(issue.text for issue in self.issues))
        if status is not None:
            self.status = status
        self.headers: dict[str, str] = dict(headers or {})


class Malformed(HyoidError):
    status, code = 400, "structure"


class Invalid(HyoidError):
    status, code = 400, "invalid"


class NotSupported(HyoidError):
    status, code = 400, "not-supported"


class TooCostly(HyoidError):
    status, code = 400, "too-costly"


class NoRoom(TooCostly):
    pass


class NotAuthenticated(HyoidError):
    status, code = 401, "login"


class Forbidden(HyoidError):
    status, code = 403, "forbidden"


class NotFound(HyoidError):
    status, code = 404, "not-found"


class MethodNotAllowed(HyoidError):
    status, code = 405, "not-supported"


class NotAcceptable(HyoidError):
    status, code = 406, "not-supported"


class Conflict(HyoidError):
    status, code = 409, "conflict"


class Gone(HyoidError):
    status, code = 410, "deleted"


class PreconditionFailed(HyoidError):
    status, code = 412, "conflict"


class TooLarge(HyoidError):
    status, code = 413, "too-long"


class UnsupportedMediaType(HyoidError):
    status, code = 415, "not-supported"


class Throttled(HyoidError):
    status, code = 429, "throttled"


class Unavailable(HyoidError):
    status, code = 503, "transient"


def fault(error: BaseException) -> HyoidError:
    """What is answered where something failed that nobody foresaw: a number, under which the
    keeper finds it in the log.

    Whether something was stored is not told: it may have failed after the commit.
    """
    reference = secrets.token_hex(8)
    log.error("Fault %s", reference, exc_info=error)
    text = f"The service failed. Tell its keeper this number: {reference}"
    return HyoidError(issues=[Issue("fatal", "exception", text)])


def outcome(issues: Iterable[Issue]) -> dict[str, Any]:
    """An OperationOutcome of these findings; one reassuring line where there are none."""
    found = [issue.as_fhir() for issue in issues]
    return {
        "resourceType": "OperationOutcome",
        "issue": found or [Issue("information", "informational", "All OK").as_fhir()],
    }


def outcome_of(error: HyoidError) -> dict[str, Any]:
    """The OperationOutcome that tells this refusal."""
    return outcome(error.issues)
