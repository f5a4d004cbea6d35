"""What does the URL of a Bundle entry ask for?

R4, RESTful API: the URLs of the interactions, relative to the base (`Patient/1`,
`Patient?identifier=x`, `Patient/1/_history/2`, `Patient/1/$everything`).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

from service.errors import HyoidError, Malformed, NotFound
from service.standard.registry import RESOURCE_TYPES

Level = Literal["system", "type", "instance", "version", "history", "search", "operation"]

ID = re.compile(r"(?!\.{1,2}\Z)[A-Za-z0-9\-.]{1,64}")
"""An id that a URL can lead to: `.` and `..` are ids by their pattern, but no client can ask."""
RESTFUL = re.compile(rf"(https?://\S+)/(?:{'|'.join(RESOURCE_TYPES)})/([A-Za-z0-9\-.]{{1,64}})")
"""An absolute URL as a FHIR server has them, of our types; its root and its id."""
_OPERATION = re.compile(r"\$[A-Za-z][A-Za-z0-9\-]{0,63}")
_ABSOLUTE = re.compile(r"[A-Za-z][A-Za-z0-9+.\-]*:")
_TYPES = frozenset(RESOURCE_TYPES)
_MAX_LENGTH = 8_000
_SHOWN = 100


@dataclass(frozen=True, slots=True)
class EntryUrl:
    """A URL taken apart. `query` is what follows `?`, not decoded; None: there is no `?`.

    `level`: `type` is `Patient`, `search` is `Patient/1/Observation` (in a compartment),
    `system` is the base itself or `metadata`, then named in `operation`.
    """

    level: Level
    type: str | None = None
    id: str | None = None
    vid: str | None = None
    operation: str | None = None
    compartment: str | None = None
    query: str | None = None


def parse_url(url: str, base: str, where: str) -> EntryUrl:
    """The parts of an entry's URL; an absolute one must lie below `base`.

    Raises Malformed for what is no URL of an interaction, NotFound for an unknown type.
    """
    if len(url) > _MAX_LENGTH:
        raise Malformed("The URL is too long", expression=where)
    relative = url
    if _ABSOLUTE.match(url):
        root = base.rstrip("/") + "/"
        if not url.startswith(root):
            raise Malformed(f"{url[:_SHOWN]} is not on this server", expression=where)
        relative = url.removeprefix(root)
    path, mark, query = relative.removeprefix("/").partition("?")
    found = _parts(path.split("/") if path else [], url, where)
    if not mark:
        return found
    return EntryUrl(
        found.level, found.type, found.id, found.vid, found.operation, found.compartment, query
    )


def _parts(parts: list[str], url: str, where: str) -> EntryUrl:
    match parts:
        case []:
            return EntryUrl("system")
        case ["metadata"]:
            return EntryUrl("system", operation="metadata")
        case ["_history"]:
            return EntryUrl("history")
        case [name] if _OPERATION.fullmatch(name):
            return EntryUrl("operation", operation=name)
        case [kind, *rest]:
            if kind not in _TYPES:
                text = f"{kind[:_SHOWN]!r} is no resource type of this service"
                raise NotFound(text, code="not-supported", expression=where)
            return _below_type(kind, rest, url, where)
    raise _no_url(url, where)


def _below_type(kind: str, rest: list[str], url: str, where: str) -> EntryUrl:
    match rest:
        case []:
            return EntryUrl("type", kind)
        case ["_history"]:
            return EntryUrl("history", kind)
        case [name] if _OPERATION.fullmatch(name):
            return EntryUrl("operation", kind, operation=name)
        case [id_, *more] if ID.fullmatch(id_):
            return _below_instance(kind, id_, more, url, where)
    raise _no_url(url, where)


def _below_instance(kind: str, id_: str, more: list[str], url: str, where: str) -> EntryUrl:
    match more:
        case []:
            return EntryUrl("instance", kind, id_)
        case ["_history"]:
            return EntryUrl("history", kind, id_)
        case ["_history", vid] if ID.fullmatch(vid):
            return EntryUrl("version", kind, id_, vid)
        case [name] if _OPERATION.fullmatch(name):
            return EntryUrl("operation", kind, id_, operation=name)
        case [inner] if inner in _TYPES:
            return EntryUrl("search", inner, id_, compartment=kind)
    raise _no_url(url, where)


def _no_url(url: str, where: str) -> HyoidError:
    return Malformed(f"{url[:_SHOWN]!r} is no URL of an interaction", expression=where)
