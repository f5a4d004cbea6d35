"""To which resource does a canonical URL lead? To the one with that `url`, and that version.

R4 references page, #canonical: without `|version` any version is meant. The index has a
reference with a version twice, with and without it.
"""

from __future__ import annotations

from collections.abc import Iterable

from service.standard.definitions import definitions
from service.store.searching.compiled import Scope, param_is


def url_numbers(types: Iterable[str]) -> tuple[int, ...]:
    """Numbers of the parameter `url` of those of the types that have a canonical URL."""
    return _numbers(types, "url", "uri")


def meant(scope: Scope, reference: str, uri: str, types: tuple[str, ...]) -> str:
    """Of a row of index_reference and a row of index_uri with the same URL: the version agrees."""
    versioned, version = scope.alias(), scope.alias()
    sibling = (
        f"FROM {scope.by_key('index_reference', versioned)} WHERE {versioned}.rid = {reference}.rid"
        f" AND {versioned}.param = {reference}.param AND {versioned}.grp = {reference}.grp"
        f" AND {versioned}.target_type = ''"
    )
    named = scope.exists(
        f"{sibling} AND {versioned}.target_id > {uri}.value || '|'"
        f" AND {versioned}.target_id < {uri}.value || '}}'"
    )
    this = scope.exists(
        f"{sibling} AND {versioned}.target_id = {uri}.value || '|' || {version}.code"
    )
    same = scope.exists(
        f"FROM {scope.by_key('index_token', version)} WHERE {version}.rid = {uri}.rid"
        f" AND {param_is(version, _numbers(types, 'version', 'token'))} AND {this}"
    )
    return f"(NOT {named} OR {same})"


def _numbers(types: Iterable[str], code: str, kind: str) -> tuple[int, ...]:
    known = definitions()
    found = (known.search_parameter(type_, code) for type_ in types)
    return tuple(sorted(p.number for p in found if p is not None and p.kind == kind))
