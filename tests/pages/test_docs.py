"""The description of the addresses outside of FHIR: complete, escaped, and nothing from outside."""

from __future__ import annotations

import re

import httpx

from service.pages.docs import described


def test_every_operation_is_described_and_nothing_is_loaded(live_service: str) -> None:
    page = httpx.get(f"{live_service}/docs")
    assert page.headers["Content-Type"] == "text/html; charset=utf-8"
    openapi = httpx.get(f"{live_service}/openapi.json").json()
    for path, item in openapi["paths"].items():
        assert f"<code>{path}</code>" in page.text
        for operation in item.values():
            assert operation["summary"] in page.text
    assert not re.search(r"<script|<link|\bsrc=|@import|url\(", page.text)


def test_texts_are_escaped() -> None:
    hostile = "<script>alert(1)</script>"
    page = described(
        {
            "info": {"title": hostile, "version": "1", "description": hostile},
            "paths": {
                f"/{hostile}": {
                    "post": {
                        "summary": hostile,
                        "description": f"{hostile} [x](javascript:alert(1))",
                        "parameters": [{"name": hostile, "in": "query", "description": hostile}],
                        "requestBody": {
                            "content": {"a/b": {"examples": {"one": {"value": {"k": hostile}}}}}
                        },
                        "responses": {"200": {"description": hostile}},
                    }
                }
            },
        }
    )
    assert "<script" not in page
    assert 'href="javascript' not in page
    assert page.count("&lt;script&gt;") >= 8
