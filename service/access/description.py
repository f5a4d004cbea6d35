"""How are the doors of access control described in OpenAPI?"""

from __future__ import annotations

from typing import Any

from fastapi import Response

from service.access.authentication import ASSERTION_TYPE
from service.access.forms import FORM

_TEXT = {"type": "string"}
_ASSERTION = {
    "client_assertion_type": {"type": "string", "enum": [ASSERTION_TYPE]},
    "client_assertion": {
        "type": "string",
        "description": "A JWT signed with RS384 or ES384 by a registered key: iss and sub the"
        " client id, aud the token endpoint, exp at most five minutes ahead, a jti of its own.",
    },
}
_ERROR = {
    "type": "object",
    "required": ["error"],
    "properties": {"error": _TEXT, "error_description": _TEXT},
}
_TOKEN = {
    "type": "object",
    "required": ["access_token", "token_type", "expires_in", "scope"],
    "properties": {
        "access_token": _TEXT,
        "token_type": {"type": "string", "enum": ["bearer"]},
        "expires_in": {"type": "integer", "description": "Seconds."},
        "scope": {"type": "string", "description": "What was given; perhaps less than asked for."},
    },
}
_ACTIVE = {
    "type": "object",
    "required": ["active"],
    "properties": {
        "active": {"type": "boolean"},
        **dict.fromkeys(("scope", "client_id", "sub", "iss", "aud", "jti", "token_type"), _TEXT),
        "exp": {"type": "integer"},
        "iat": {"type": "integer"},
        "tied": {"type": "array", "items": _TEXT},
    },
}


def token() -> dict[str, Any]:
    """POST /access/token."""
    grant = {"type": "string", "enum": ["client_credentials"]}
    form = {"grant_type": grant, "scope": _TEXT, **_ASSERTION}
    return _described(
        "An access token for a registered system",
        "SMART Backend Services: `client_credentials` with `private_key_jwt`.",
        _form(form, list(form)),
        _TOKEN,
    )


def introspection() -> dict[str, Any]:
    """POST /access/introspect."""
    return _described(
        "What is an access token worth?",
        "RFC 7662, for tokens of the system that asks: with an assertion as for the token, or with"
        " an access token of its own as bearer.",
        _form({"token": _TEXT, **_ASSERTION}, ["token"]),
        _ACTIVE,
    )


def revocation() -> dict[str, Any]:
    """POST /access/revoke."""
    return _described(
        "Let an access token count no more",
        "RFC 7009. It may be taken for one more second.",
        _form({"token": _TEXT, "token_type_hint": _TEXT, **_ASSERTION}, ["token"]),
        None,
    )


def keys() -> dict[str, Any]:
    """GET /access/jwks."""
    key_set = {"type": "object", "properties": {"keys": {"type": "array"}}}
    return {
        "summary": "The public keys that verify access tokens",
        "response_class": Response,
        "responses": {200: _answer("A JWK Set (RFC 7517)", key_set)},
    }


def _described(
    summary: str, text: str, form: dict[str, Any], content: dict[str, Any] | None
) -> dict[str, Any]:
    return {
        "summary": summary,
        "description": text,
        "response_class": Response,
        "openapi_extra": {"requestBody": {"required": True, "content": {FORM: {"schema": form}}}},
        "responses": {
            200: _answer("Done", content),
            400: _answer("Refused (RFC 6749, section 5.2)", _ERROR),
            401: _answer("The system could not be authenticated", _ERROR),
        },
    }


def _form(properties: dict[str, Any], required: list[str]) -> dict[str, Any]:
    return {"type": "object", "properties": properties, "required": required}


def _answer(text: str, schema: dict[str, Any] | None) -> dict[str, Any]:
    content = {"content": {"application/json": {"schema": schema}}} if schema else {}
    return {"description": text, **content}
