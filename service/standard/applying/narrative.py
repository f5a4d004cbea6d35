"""How is a plan told to a person? A generated narrative. R4: http://hl7.org/fhir/R4/narrative.html"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape
from typing import Any


def narrative_of(title: str, rows: Mapping[str, Sequence[str]]) -> dict[str, Any]:
    """A heading, and a table with a row for each text under its label."""
    cells = "".join(
        f"<tr><td>{escape(label)}</td><td>{escape(text)}</td></tr>"
        for label, texts in rows.items()
        for text in texts
        if text
    )
    table = f"<table><tbody>{cells}</tbody></table>" if cells else ""
    heading = f"<p><b>{escape(title)}</b></p>"
    return {
        "status": "generated",
        "div": f'<div xmlns="http://www.w3.org/1999/xhtml">{heading}{table}</div>',
    }
