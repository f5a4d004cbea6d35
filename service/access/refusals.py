"""How are OAuth requests refused? RFC 6749, section 5.2; RFC 7009, section 2.2.1.

These answers are JSON of OAuth, not OperationOutcomes: OAuth client libraries read them. What is
told never depends on whether a system exists; the texts hold nothing that was sent.
"""

from __future__ import annotations

from typing import Any


class OAuthError(Exception):
    """A refusal with the code of RFC 6749 and a text for the developer of the system."""

    error = "invalid_request"
    status = 400

    def __init__(self, description: str) -> None:
        super().__init__(description)
        self.description = description

    def as_json(self) -> dict[str, Any]:
        """The body of the answer."""
        return {"error": self.error, "error_description": self.description}


class InvalidRequest(OAuthError):
    error = "invalid_request"


class UnsupportedGrantType(OAuthError):
    error = "unsupported_grant_type"


class InvalidScope(OAuthError):
    error = "invalid_scope"


class UnauthorizedClient(OAuthError):
    error = "unauthorized_client"


class InvalidClient(OAuthError):
    """Not authenticated; by default in words that are the same for every cause."""

    error = "invalid_client"
    status = 401

    def __init__(self, description: str = "The system could not be authenticated") -> None:
        super().__init__(description)


class InvalidToken(Exception):
    """An access token that does not count (RFC 6750, section 3.1)."""

    def __init__(self, description: str, *, expired: bool = False) -> None:
        super().__init__(description)
        self.description = description
        self.expired = expired
