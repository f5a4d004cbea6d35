"""Is this answer a refusal as R4 wants it?

Sources: http://hl7.org/fhir/R4/operationoutcome.html and its required value sets issue-severity
and issue-type, written out here; http://hl7.org/fhir/R4/http.html#mime-type.
"""

from __future__ import annotations

from typing import Any

import httpx
from fhir.resources.R4B.operationoutcome import OperationOutcome

SEVERITIES = {"fatal", "error", "warning", "information"}
CODES = {
    *("invalid", "structure", "required", "value", "invariant"),
    *("security", "login", "unknown", "expired", "forbidden", "suppressed"),
    *("processing", "not-supported", "duplicate", "multiple-matches", "not-found", "deleted"),
    *("too-long", "code-invalid", "extension", "too-costly", "business-rule", "conflict"),
    *("transient", "lock-error", "no-store", "exception", "timeout", "incomplete", "throttled"),
    "informational",
}


def refusal(answer: httpx.Response) -> list[dict[str, Any]]:
    """The issues of the OperationOutcome; fails where it is none, or tells nothing."""
    assert answer.headers["Content-Type"] == "application/fhir+json"
    body = answer.json()
    assert body["resourceType"] == "OperationOutcome"
    OperationOutcome.model_validate(body)
    issues: list[dict[str, Any]] = body["issue"]
    assert issues
    for issue in issues:
        assert issue["severity"] in SEVERITIES
        assert issue["code"] in CODES
        text = issue["details"]["text"]
        assert text.strip()
        assert "Traceback" not in text
        for told in (text, *places(issue)):
            assert not any(ord(letter) < 32 and letter not in "\t\n\r" for letter in told)
    assert any(issue["severity"] in ("fatal", "error") for issue in issues)
    return issues


def places(issue: dict[str, Any]) -> list[str]:
    """Where the issue says it is."""
    return [*issue.get("expression", []), *issue.get("location", [])]
