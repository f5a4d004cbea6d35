"""What does OpenAPI say of the intake, and what can be downloaded? Schema, template, columns."""

from __future__ import annotations

import functools
from typing import Any

import orjson
from fastapi import Response

from service.data import examples, mappings
from service.intake.columns import columns as all_columns
from service.intake.models import SessionPost

Json = dict[str, Any]


def schema() -> bytes:
    """JSON Schema of what POST /intake/sessions takes."""
    found = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": "https://hyoid.example/fhir/intake/sessions.schema.json",
        "title": "Session notes",
    } | SessionPost.model_json_schema(by_alias=True)
    return orjson.dumps(found, option=orjson.OPT_INDENT_2)


def template() -> bytes:
    """A table with every column and no row."""
    return (",".join(all_columns()) + "\r\n").encode()


def columns() -> bytes:
    """What each column of a table means."""
    return mappings("intake", "columns.json").read_bytes()


@functools.cache
def _example() -> Json:
    found: Json = orjson.loads(examples("requests", "sessions.json").read_bytes())
    return found


@functools.cache
def _table() -> str:
    return "\n".join(examples("sessions.csv").read_text(encoding="utf-8").splitlines()[:8])


def _parameter(name: str, about: str, kind: str = "string") -> Json:
    return {"name": name, "in": "query", "description": about, "schema": {"type": kind}}


_PARAMETERS = [
    _parameter("strict", "Refuse codes that cannot be translated.", "boolean"),
    _parameter("atomic", "Store all sessions or none.", "boolean"),
    _parameter("identifiers", "What the clinic's numbers start with."),
    _parameter("timeZone", "Zone of times without an offset."),
    _parameter("localCodes", "System of the clinic's own codes."),
    _parameter("dateFormat", "Form of dates, as strptime has it: %d.%m.%Y"),
    _parameter("decimalComma", "In a table: 21,5 is a number.", "boolean"),
    _parameter("delimiter", "In a table: comma, semicolon or tab; else the header tells."),
]
_ABOUT = (
    "Takes session notes as JSON (one note, a list, or a clinic with its sessions) or as a table"
    " (`text/csv`, see `/intake/sessions/template.csv` and `columns.json`). The clinic's number of"
    " the session is the key: the same again changes nothing; a higher `revision` corrects; a lower"
    " one is refused. Where several clinics have used the number, the session of the same client is"
    " meant; what the caller may not see makes no difference. Each session is stored whole or"
    " refused whole, with every fault named by JSON pointer or by row and column; the others are"
    " stored. Rows of a table with the revision that is stored add up. Who asks for"
    " `application/fhir+json` is answered with an OperationOutcome."
)


def _answer(text: str) -> Json:
    return {"description": text}


def _inlined(schema: Any, parts: Json) -> Any:
    """A schema without references: in OpenAPI they would point into another document."""
    if isinstance(schema, list):
        return [_inlined(inner, parts) for inner in schema]
    if not isinstance(schema, dict):
        return schema
    if "$ref" in schema:
        found = _inlined(parts[schema["$ref"].rpartition("/")[2]], parts)
        more = {key: value for key, value in schema.items() if key != "$ref"}
        return {**found, **more}
    return {key: _inlined(value, parts) for key, value in schema.items() if key != "$defs"}


def post_sessions() -> Json:
    """How OpenAPI tells of POST /intake/sessions."""
    schema = SessionPost.model_json_schema(by_alias=True)
    content = {
        "application/json": {
            "schema": _inlined(schema, schema["$defs"]),
            "examples": {"a day": {"value": _example()}},
        },
        "text/csv": {
            "schema": {"type": "string"},
            "examples": {"a table": {"value": _table()}},
        },
    }
    return {
        "summary": "Take session notes",
        "description": _ABOUT,
        "status_code": 201,
        "response_class": Response,
        "openapi_extra": {
            "parameters": _PARAMETERS,
            "requestBody": {"required": True, "content": content},
        },
        "responses": {
            200: _answer("All were there before, or were corrected"),
            201: _answer("Stored"),
            207: _answer("Some were stored, some refused: see each"),
            400: _answer("Not understood"),
            401: _answer("No access token"),
            403: _answer("Not allowed to store sessions, or to see which are there"),
            409: _answer("An older revision, or other content under the same one"),
            413: _answer("Too large"),
            415: _answer("Neither JSON nor CSV"),
            422: _answer("Refused: see each session"),
        },
    }
