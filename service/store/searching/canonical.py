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


def joined(scope: Scope, reference: str, uri: str, types: tuple[str, ...]) -> str:
    """The condition that a row of index_reference leads to the resource of a row of index_uri."""
    versioned, version = scope.alias(), scope.alias()
    sibling = (
        f"FROM {scope.by_key('index_reference', versioned)} WHERE {versioned}.rid = {reference}.rid"
        f" AND {versioned}.param = {reference}.param AND {versioned}.grp = {reference}.grp"
        f" AND {versioned}.target_type = ''"
    )
    numbers = _numbers(types, "version", "token")
    unversioned = scope.exists(
        f"{sibling} AND {versioned}.target_id > {uri}.value || '|'"
        f" AND {versioned}.target_id < {uri}.value || '}}'"
    )
    this = scope.exists(
        f"{sibling} AND {versioned}.target_id = {uri}.value || '|' || {version}.code"
    )
    same = scope.exists(
        f"FROM {scope.by_key('index_token', version)} WHERE {version}.rid = {uri}.rid"
        f" AND {param_is(version, numbers)} AND {this}"
    )
    return (
        f"{reference}.target_type = '' AND {param_is(uri, url_numbers(types))}"
        f" AND {uri}.value = {reference}.target_id AND (NOT {unversioned} OR {same})"
    )


def _numbers(types: Iterable[str], code: str, kind: str) -> tuple[int, ...]:
    known = definitions()
    found = (known.search_parameter(type_, code) for type_ in types)
    return tuple(sorted(p.number for p in found if p is not None and p.kind == kind))
