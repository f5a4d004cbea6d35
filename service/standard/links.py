"""Which links in a resource lead to other entries of its Bundle, and what do they become?

R4, RESTful API, section transaction: references, elements of type uri, url, oid and uuid, and
links in the narrative that equal the fullUrl of an entry are replaced by what the entry became;
canonicals are not. R4, Bundle, section references: a relative reference in an entry with a
RESTful fullUrl is one below the same root. Conditional references (`Patient?identifier=x`) are
found here and resolved by a search.

Two things of type uri are names, not links, and stay: `system`, and the `url` of a definition
or an extension. Canonicals and codes that use them stay too.
"""

from __future__ import annotations

import html
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from service.errors import Invalid, Issue
from service.standard.bundles import PlannedEntry
from service.standard.conditions import parse_criteria
from service.standard.definitions import Element, definitions
from service.standard.entry_urls import RESTFUL
from service.standard.registry import RESOURCE_TYPES

_CONDITIONAL = re.compile(rf"({'|'.join(RESOURCE_TYPES)})\?")
_TAG = re.compile(r"""<(?:a|img)\s(?:[^<>"']|"[^"<]*"|'[^'<]*')*+>""", re.IGNORECASE)
_LINK = re.compile(r"""(\s(?:href|src)\s*=\s*)("[^"<]*"|'[^'<]*')""", re.IGNORECASE)
_URI_TYPES = frozenset({"uri", "url", "oid", "uuid"})
_PLACEHOLDERS = ("urn:uuid:", "urn:oid:")
_SHOWN = 100

Trail = tuple[Any, str | int] | None
"""The way from the resource to a value: the way to its holder, and the last name or index."""


@dataclass(frozen=True, slots=True)
class ConditionalReference:
    """A reference that is a search; `holder["reference"]` is to become what it finds."""

    holder: dict[str, Any]
    type: str
    criteria: list[tuple[str, str]]
    expression: str

    def resolve(self, target: str) -> None:
        """Makes it a reference to `Type/id`."""
        self.holder["reference"] = target


def placeholders(entries: Iterable[PlannedEntry]) -> dict[str, int]:
    """Which fullUrl belongs to which entry, by its index.

    A version specific reference leads to an entry that holds this version, so a resource with
    meta.versionId can be found with it as well.
    """
    found = {}
    for entry in entries:
        if entry.full_url is None or entry.resource is None:
            continue
        found[entry.full_url] = entry.index
        meta = entry.resource.get("meta")
        vid = meta.get("versionId") if isinstance(meta, dict) else None
        if isinstance(vid, str):
            found[f"{entry.full_url}/_history/{vid}"] = entry.index
    return found


def rewrite(
    resource: dict[str, Any],
    mapping: Mapping[str, str],
    *,
    full_url: str | None = None,
    where: str = "",
) -> list[ConditionalReference]:
    """Replaces, in place, every link of `mapping` by its `Type/id`.

    `full_url` is that of the resource's own entry, `where` its place (`Bundle.entry[2].resource`)
    for refusals. Returns the conditional references; raises Invalid where a `urn:uuid:` or
    `urn:oid:` reference leads to no entry.
    """
    walk = _Walk(resource, mapping, _root(full_url), where or str(resource.get("resourceType")))
    walk.run()
    if walk.issues:
        raise Invalid(issues=walk.issues)
    return walk.conditional


def _root(full_url: str | None) -> str | None:
    match = RESTFUL.fullmatch(full_url) if full_url else None
    return match.group(1) if match else None


class _Walk:
    """One pass over every value of a resource."""

    __slots__ = ("_mapping", "_resource", "_root", "_where", "conditional", "issues")

    def __init__(
        self, resource: dict[str, Any], mapping: Mapping[str, str], root: str | None, where: str
    ) -> None:
        self._resource = resource
        self._mapping = mapping
        self._root = root
        self._where = where
        self.conditional: list[ConditionalReference] = []
        self.issues: list[Issue] = []

    def run(self) -> None:
        mapping = self._mapping
        stack: list[tuple[Any, Trail]] = [(self._resource, None)]
        while stack:
            holder, trail = stack.pop()
            for key, value in holder.items() if type(holder) is dict else enumerate(holder):
                kind = type(value)
                if kind is str:
                    if key == "reference":
                        self._reference(holder, value, trail)
                    elif value in mapping:
                        if self._is_uri(key, trail):
                            holder[key] = mapping[value]
                    elif key == "div":
                        holder[key] = self._narrative(value)
                elif kind is dict or kind is list:
                    stack.append((value, (trail, key)))

    def _reference(self, holder: dict[str, Any], value: str, trail: Trail) -> None:
        """A Reference, or one of the few elements of type uri that have its name."""
        target = self._target(value)
        if target is not None:
            holder["reference"] = target
        elif "resourceType" in holder or "language" in holder:
            return
        elif value.startswith(_PLACEHOLDERS):
            text = f"No entry of the Bundle has the fullUrl {value[:_SHOWN]}"
            where = f"{self._expression(trail)}.reference"
            self.issues.append(Issue("error", "not-found", text, where))
        elif "?" in value and (match := _CONDITIONAL.match(value)):
            where = f"{self._expression(trail)}.reference"
            criteria = parse_criteria(value, where, match.group(1))
            found = ConditionalReference(holder, match.group(1), criteria, where)
            self.conditional.append(found)

    def _target(self, link: str) -> str | None:
        target = self._mapping.get(link)
        if target is None and self._root and ":" not in link:
            return self._mapping.get(f"{self._root}/{link}")
        return target

    def _narrative(self, div: str) -> str:
        if "href" not in div and "src" not in div:
            return div
        return _TAG.sub(lambda tag: _LINK.sub(self._replaced, tag.group()), div)

    def _replaced(self, link: re.Match[str]) -> str:
        target = self._target(html.unescape(link.group(2)[1:-1]))
        return link.group() if target is None else f'{link.group(1)}"{target}"'

    def _is_uri(self, key: str | int, trail: Trail) -> bool:
        """Whether the definitions give this element a type whose values are links."""
        steps = [*_steps(trail), key]
        names = [step for step in steps if isinstance(step, str)]
        if names[-1] == "system":
            return False
        element, path = self._element(steps)
        if names[-1] == "url" and (path == "Extension" or _is_resource(path)):
            return False
        return element is not None and element.type in _URI_TYPES

    def _element(self, steps: list[str | int]) -> tuple[Element | None, str]:
        """The definition of an element of the resource, and the path of its owner."""
        value: Any = self._resource
        path = str(self._resource.get("resourceType", ""))
        owner = path
        element: Element | None = None
        for step in steps:
            value = value[step]
            if isinstance(step, str):
                owner = path
                element = definitions().elements(owner).get(step)
                path = element.children if element else ""
                if step.startswith("_"):
                    path = "Element"
            if path == "Resource" and isinstance(value, dict):
                path = str(value.get("resourceType", ""))
        return element, owner

    def _expression(self, trail: Trail) -> str:
        parts = [f"[{step}]" if isinstance(step, int) else f".{step}" for step in _steps(trail)]
        return self._where + "".join(parts)


def _is_resource(path: str) -> bool:
    return "id" in definitions().elements(path) and "meta" in definitions().elements(path)


def _steps(trail: Trail) -> list[str | int]:
    steps: list[str | int] = []
    while trail is not None:
        trail, step = trail
        steps.append(step)
    return steps[::-1]
