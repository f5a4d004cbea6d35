"""What does a batch or transaction ask for, and in which order is it done?

R4, RESTful API, section batch/transaction: DELETE, POST, PUT and PATCH, GET and HEAD, whatever
the order of the entries; one identity at most once; and the invariants of Bundle. Links between
the entries are the matter of `links.py`.
"""

from __future__ import annotations

import base64
import binascii
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from service.errors import HyoidError, Invalid, Malformed, NotSupported
from service.standard.codec import decode
from service.standard.entry_urls import RESTFUL, EntryUrl, parse_url

_ORDER = {"DELETE": 0, "POST": 1, "PUT": 2, "PATCH": 2, "GET": 3, "HEAD": 3}
_JSON_PATCH = "application/json-patch+json"
_SHOWN = 60
_MOST_ISSUES = 500
"""Told in one answer, so that a small request cannot ask for a huge one."""


@dataclass(frozen=True, slots=True)
class PlannedEntry:
    """One entry that can be done: what (`method`, `url`) with what (`resource`).

    `refusal` is set in a batch only, where one bad entry does not stop the others; then nothing
    else but `index` is to be used. The conditions are as they were written.
    """

    index: int
    method: str
    url: EntryUrl
    resource: dict[str, Any] | None = None
    full_url: str | None = None
    if_match: str | None = None
    if_none_match: str | None = None
    if_modified_since: str | None = None
    if_none_exist: str | None = None
    refusal: HyoidError | None = None

    @property
    def where(self) -> str:
        return f"Bundle.entry[{self.index}]"

    @property
    def writes(self) -> bool:
        """Whether a resource is written by it; what an operation stores is its own matter."""
        return self.method not in ("GET", "HEAD") and self.url.level != "operation"

    @property
    def identity(self) -> tuple[str, str] | None:
        """Type and id of what is written, where they are known before a search."""
        if self.url.level != "instance" or self.method in ("GET", "HEAD"):
            return None
        return self.url.type or "", self.url.id or ""


def plan(bundle: Mapping[str, Any], base: str = "") -> list[PlannedEntry]:
    """The entries in the order of processing; each knows its place in the Bundle.

    `base` is the service's FHIR base URL, below which absolute request URLs may lie. A fault of
    an entry refuses the whole transaction, with the first faults found; in a batch it goes with the
    entry.
    """
    kind = _check_bundle(bundle)
    planned = [_planned(entry, index, base) for index, entry in enumerate(bundle.get("entry", []))]
    if kind == "transaction":
        refusals = [entry.refusal for entry in planned if entry.refusal]
        if not refusals:
            refusals = [*_same_full_url(planned), *overlaps(identified(planned))]
        if refusals:
            issues = [issue for error in refusals for issue in error.issues]
            raise type(refusals[0])(issues=issues[:_MOST_ISSUES])
    return sorted(planned, key=lambda entry: _ORDER.get(entry.method, 0))


def identified(entries: Iterable[PlannedEntry]) -> list[tuple[int, tuple[str, str]]]:
    """Index and identity of the entries that write a known resource."""
    return [(entry.index, entry.identity) for entry in entries if entry.identity]


def overlaps(identities: Iterable[tuple[int, tuple[str, str]]]) -> list[HyoidError]:
    """Refusals of entries that touch the same resource as an earlier one.

    Ask again with the ids that conditional entries have found.
    """
    first: dict[tuple[str, str], int] = {}
    found: list[HyoidError] = []
    for index, identity in identities:
        earlier = first.setdefault(identity, index)
        if earlier != index:
            text = f"{'/'.join(identity)} is touched by Bundle.entry[{earlier}] too"
            found.append(Invalid(text, expression=f"Bundle.entry[{index}].request.url"))
    return found


def patch_document(entry: PlannedEntry) -> Any:
    """The patch of a PATCH entry: a list (JSON Patch, in a Binary) or Parameters (FHIRPath)."""
    resource = entry.resource or {}
    if resource.get("resourceType") == "Parameters":
        return resource
    where = f"{entry.where}.resource"
    content_type = str(resource.get("contentType", "")).partition(";")[0].strip().lower()
    if resource.get("resourceType") != "Binary" or content_type != _JSON_PATCH:
        text = f"A patch is a Parameters resource, or a Binary of type {_JSON_PATCH}"
        raise NotSupported(text, expression=where)
    try:
        raw = base64.b64decode("".join(str(resource.get("data", "")).split()), validate=True)
    except (binascii.Error, ValueError):
        raise Malformed("data is not base64", expression=f"{where}.data") from None
    try:
        return decode(raw)
    except HyoidError as error:
        raise Malformed(f"data: {error}", expression=f"{where}.data") from None


def _check_bundle(bundle: Mapping[str, Any]) -> str:
    if bundle.get("resourceType") != "Bundle":
        raise Invalid("A Bundle is needed here", expression="Bundle")
    kind = bundle.get("type")
    if kind not in ("batch", "transaction"):
        text = "Only a Bundle of type batch or transaction can be processed"
        raise Invalid(text, code="value", expression="Bundle.type")
    if "total" in bundle:
        text = "bdl-1: total only when a search or history"
        raise Invalid(text, code="invariant", expression="Bundle.total")
    if not isinstance(bundle.get("entry", []), list):
        raise Malformed("entry must be a list", expression="Bundle.entry")
    return str(kind)


def _planned(entry: Any, index: int, base: str) -> PlannedEntry:
    try:
        return _read(entry, index, base)
    except HyoidError as error:
        return PlannedEntry(index, "", EntryUrl("system"), refusal=error)


def _read(entry: Any, index: int, base: str) -> PlannedEntry:
    where = f"Bundle.entry[{index}]"
    if not isinstance(entry, dict):
        raise Malformed("An entry must be an object", expression=where)
    for name, rule in (("search", "bdl-2"), ("response", "bdl-4")):
        if name in entry:
            text = f"{rule}: no {name} in a batch or transaction"
            raise Invalid(text, code="invariant", expression=f"{where}.{name}")
    request = entry.get("request")
    if not isinstance(request, dict):
        text = "bdl-3: an entry of a batch or transaction needs a request"
        raise Invalid(text, code="invariant", expression=f"{where}.request")
    method = _text(request, "method", f"{where}.request", required=True)
    if method not in _ORDER:
        text = f"{str(method)[:_SHOWN]!r} is none of {', '.join(_ORDER)}"
        raise Invalid(text, code="code-invalid", expression=f"{where}.request.method")
    address = _text(request, "url", f"{where}.request", required=True)
    url = parse_url(address or "", base, f"{where}.request.url")
    _check_possible(method, url, f"{where}.request.url")

    def condition(name: str) -> str | None:
        return _text(request, name, f"{where}.request")

    full_url = _text(entry, "fullUrl", where)
    resource = _resource(entry, method, url, where)
    if full_url:
        _check_full_url(full_url, resource, f"{where}.fullUrl")
    return PlannedEntry(
        index,
        method,
        url,
        resource,
        full_url,
        if_match=condition("ifMatch"),
        if_none_match=condition("ifNoneMatch"),
        if_modified_since=condition("ifModifiedSince"),
        if_none_exist=condition("ifNoneExist"),
    )


def _check_full_url(full_url: str, resource: Any, where: str) -> None:
    """Whether it can be the place of this resource: R4, Bundle.entry.fullUrl and bdl-8."""
    if "/_history/" in full_url:
        text = "bdl-8: fullUrl cannot be a version specific reference"
        raise Invalid(text, code="invariant", expression=where)
    match = RESTFUL.fullmatch(full_url)
    own = resource.get("id") if isinstance(resource, dict) else None
    if match and own is not None and own != match.group(2):
        text = f"fullUrl has the id {match.group(2)}, the resource has {str(own)[:_SHOWN]}"
        raise Invalid(text, expression=where)


def _text(holder: Mapping[str, Any], name: str, where: str, required: bool = False) -> str | None:
    value = holder.get(name)
    if value is None and name not in holder and not required:
        return None
    if not isinstance(value, str) or not value.strip():
        text = f"{name} is missing" if value is None else f"{name} must be a text"
        code = "required" if value is None else "value"
        raise Invalid(text, code=code, expression=f"{where}.{name}")
    return value


def _check_possible(method: str, url: EntryUrl, where: str) -> None:
    """Whether this interaction exists: R4, RESTful API, its table of URLs by method."""
    if method == "POST":
        possible = url.level == "operation" or (url.level == "type" and url.query is None)
        needs = "a type or an operation"
    elif method in ("GET", "HEAD"):
        possible, needs = True, ""
    else:
        conditional = url.level == "type" and bool(url.query)
        possible = conditional or (url.level == "instance" and url.query is None)
        needs = "Type/id or Type?search"
    if not possible:
        raise Invalid(f"{method} needs a URL of {needs}", code="value", expression=where)


def _resource(entry: Mapping[str, Any], method: str, url: EntryUrl, where: str) -> Any:
    """The resource to be written, or the input of an operation or a patch."""
    resource = entry.get("resource")
    writes = method == "PUT" or (method == "POST" and url.level == "type")
    if method in ("GET", "HEAD", "DELETE"):
        return None
    if resource is None and not writes and method != "PATCH":
        return None
    where = f"{where}.resource"
    if not isinstance(resource, dict):
        raise Invalid(f"{method} needs a resource", code="required", expression=where)
    if not writes:
        return resource
    kind = resource.get("resourceType")
    if kind != url.type:
        text = f"The URL is of type {url.type}, the resource of {str(kind)[:_SHOWN]}"
        raise Invalid(text, expression=where)
    if url.level == "instance" and resource.get("id") != url.id:
        own = f"the id {str(resource['id'])[:_SHOWN]}" if "id" in resource else "none"
        text = f"The URL has the id {url.id}, the resource has {own}"
        raise Invalid(text, expression=f"{where}.id")
    return resource


def _same_full_url(entries: Iterable[PlannedEntry]) -> list[HyoidError]:
    first: dict[str, int] = {}
    found: list[HyoidError] = []
    for entry in entries:
        if entry.full_url is None:
            continue
        earlier = first.setdefault(entry.full_url, entry.index)
        if earlier != entry.index:
            text = f"bdl-7: Bundle.entry[{earlier}] has the same fullUrl"
            where = f"{entry.where}.fullUrl"
            found.append(Invalid(text, code="invariant", expression=where))
    return found
