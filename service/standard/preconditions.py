"""May this request go on, given what is there now?

The conditions of R4, RESTful API: If-Match (managing resource contention), If-None-Match and
If-Modified-Since (conditional read), If-None-Exist and the conditional forms of create, update,
patch and delete. RFC 7232, section 6, for their order.

Every decision is a function of what is there and what was asked; it returns what to do or
raises the refusal. `where` is where the conditions stand: `http` for headers, or
`Bundle.entry[2].request`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

from service.errors import Gone, Invalid, NotFound, PreconditionFailed
from service.standard.conditions import parse_http_date, parse_tags, place

_SHOWN = 60
_IN_BUNDLE = {
    "If-Match": "ifMatch",
    "If-None-Match": "ifNoneMatch",
    "If-None-Exist": "ifNoneExist",
    "url": "url",
}


class Current(NamedTuple):
    """What is there: the last version, and whether that is a deletion."""

    vid: int
    deleted: bool = False


@dataclass(frozen=True, slots=True)
class Create:
    """Write a first version, or one after a deletion: 201."""

    vid: int = 1


@dataclass(frozen=True, slots=True)
class Replace:
    """Write the next version: 200."""

    vid: int


@dataclass(frozen=True, slots=True)
class Delete:
    """Write a deletion as this version."""

    vid: int


@dataclass(frozen=True, slots=True)
class Existing:
    """It is there already; nothing is written: 200."""

    id: str


@dataclass(frozen=True, slots=True)
class Target:
    """A conditional request goes on as a request for this id; None: the server gives one."""

    id: str | None


@dataclass(frozen=True, slots=True)
class Nothing:
    """Nothing is there to do."""


def decide_read(
    vid: int,
    updated: int,
    *,
    if_none_match: str | None = None,
    if_modified_since: str | None = None,
) -> bool:
    """Whether the reader needs the body; False means 304. `updated` is µs since 1970.

    If-None-Match wins over If-Modified-Since, and a date that cannot be read is passed over
    (RFC 7232, section 3.3).
    """
    if if_none_match is not None:
        return not parse_tags(if_none_match, "http.If-None-Match").match(vid)
    since = None if if_modified_since is None else parse_http_date(if_modified_since)
    return since is None or updated // 1_000_000 > since // 1_000_000


def decide_create(matches: Sequence[str] = (), where: str = "http") -> Create | Existing:
    """Create, plain or with If-None-Exist; `matches` are ids that its search found."""
    if not matches:
        return Create()
    if len(matches) == 1:
        return Existing(matches[0])
    raise _several(len(matches), condition_place(where, "If-None-Exist"))


def decide_update(
    current: Current | None,
    *,
    if_match: str | None = None,
    if_none_match: str | None = None,
    where: str = "http",
) -> Create | Replace:
    """Update of one id, also as create, also after a deletion."""
    vid = None if current is None or current.deleted else current.vid
    _check_match(vid, if_match, condition_place(where, "If-Match"))
    if if_none_match is not None:
        condition = condition_place(where, "If-None-Match")
        if parse_tags(if_none_match, condition).match(vid):
            text = f"The resource has version {vid} already"
            raise PreconditionFailed(text, **place(condition))
    if current is None:
        return Create()
    return Create(current.vid + 1) if current.deleted else Replace(current.vid + 1)


def decide_patch(
    current: Current | None, name: str, *, if_match: str | None = None, where: str = "http"
) -> Replace:
    """Patch of one id; `name` is its `Type/id`."""
    if if_match is not None:
        vid = None if current is None or current.deleted else current.vid
        _check_match(vid, if_match, condition_place(where, "If-Match"))
    if current is None:
        raise NotFound(f"{name} does not exist")
    if current.deleted:
        raise Gone(f"{name} is deleted")
    return Replace(current.vid + 1)


def decide_delete(
    current: Current | None, *, if_match: str | None = None, where: str = "http"
) -> Delete | Nothing:
    """Delete of one id; that of what is absent or deleted already succeeds."""
    vid = None if current is None or current.deleted else current.vid
    _check_match(vid, if_match, condition_place(where, "If-Match"))
    return Nothing() if vid is None else Delete(vid + 1)


def decide_conditional_update(
    matches: Sequence[str], id: str | None, where: str = "http"
) -> Target:
    """Which id an update by search is for; `id` is that of the body, if it has one.

    R4: no match, the id of the body (update as create) or a new one; one match, it, unless the
    body has another id; several, 412.
    """
    if len(matches) > 1:
        raise _several(len(matches), condition_place(where, "url"))
    if matches and id not in (None, matches[0]):
        text = f"The search finds {matches[0]}, the resource has the id {id}"
        raise Invalid(text, **place(condition_place(where, "url")))
    return Target(matches[0] if matches else id)


def decide_conditional_patch(matches: Sequence[str], where: str = "http") -> Target:
    """Which id a patch by search is for."""
    if not matches:
        raise NotFound("The search finds nothing to patch", **place(condition_place(where, "url")))
    if len(matches) > 1:
        raise _several(len(matches), condition_place(where, "url"))
    return Target(matches[0])


def decide_conditional_delete(matches: Sequence[str], where: str = "http") -> Target | Nothing:
    """Which id a delete by search is for: one at most (`conditionalDelete: single`)."""
    if len(matches) > 1:
        raise _several(len(matches), condition_place(where, "url"))
    return Target(matches[0]) if matches else Nothing()


def _check_match(vid: int | None, if_match: str | None, where: str) -> None:
    if if_match is None or parse_tags(if_match, where).match(vid):
        return
    now = "the resource does not exist" if vid is None else f"the current version is {vid}"
    raise PreconditionFailed(f"{if_match[:_SHOWN]} does not match: {now}", **place(where))


def _several(count: int, where: str) -> PreconditionFailed:
    text = f"The search must find one resource at most and finds {count}"
    return PreconditionFailed(text, code="multiple-matches", **place(where))


def condition_place(where: str, condition: str) -> str:
    """The place of one condition: `http.If-Match`, `Bundle.entry[2].request.ifMatch`."""
    return f"{where}.{condition if where == 'http' else _IN_BUNDLE[condition]}"
