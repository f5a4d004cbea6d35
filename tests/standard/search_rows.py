"""How do tests look at the rows of one search parameter?"""

from __future__ import annotations

from typing import Any

from service.standard.definitions import definitions


def of(rows: list[Any], type: str, code: str) -> list[Any]:
    """Rows of one parameter without its number, sorted."""
    parameter = definitions().search_parameter(type, code)
    assert parameter is not None
    return sorted(row[1:] for row in rows if row[0] == parameter.number)
