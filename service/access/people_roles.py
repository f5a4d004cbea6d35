"""What may somebody do who signs in? By the roles of mappings/access/roles.json."""

from __future__ import annotations

import json
from collections.abc import Mapping
from functools import cache
from typing import Any

from service.access.scopes import parse_scope
from service.data import mappings


def scopes_of_role(role: str) -> frozenset[str]:
    """The scopes of a role; none where there is no such role any more."""
    return roles().get(role, frozenset())


@cache
def roles() -> Mapping[str, frozenset[str]]:
    """The scopes of each role. Raises ValueError for a table that cannot be read."""
    path = mappings("access", "roles.json")
    try:
        return roles_in(json.loads(path.read_text(encoding="utf-8")))
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise ValueError(f"mappings/access/roles.json: {error}") from error


def roles_in(table: Any) -> dict[str, frozenset[str]]:
    """The scopes of each role of a table as read. Raises ValueError, KeyError or TypeError."""
    found = {}
    for name, role in table["roles"].items():
        scopes = [parse_scope(text) for text in role["scopes"]]
        for scope in scopes:
            if scope.level != "user":
                raise ValueError(f"{name}: {scope} is not for people: user/…")
        found[name] = frozenset(map(str, scopes))
    return found
