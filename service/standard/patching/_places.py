"""Where in a resource is an element, and how is it changed there?

A primitive element is two things in JSON, its value (`birthDate`) and its twin with id and
extensions (`_birthDate`), and a list of them is two lists held in step by nulls (R4, JSON
Representation, section primitive elements). Here an element is one `Content`, and what is left
empty by a change is taken away, as R4 allows no empty element.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, NamedTuple

from service.standard.definitions import Element, definitions


class Content(NamedTuple):
    """One element: its value in JSON, and the twin of a primitive."""

    value: Any
    twin: Any = None

    @property
    def empty(self) -> bool:
        return self.value in (None, {}, []) and self.twin in (None, {}, [])


@dataclass(frozen=True, slots=True, eq=False)
class Place:
    """Where one element is: under `key` of the object `holder`, at `index` of a list.

    The place of the resource itself has no owner, and the resource as holder. `definition` is
    the path of the element's children in the definitions.
    """

    owner: Place | None
    holder: dict[str, Any]
    key: str
    index: int | None
    element: Element | None
    definition: str

    @property
    def content(self) -> Content:
        if self.owner is None:
            return Content(self.holder)
        value, twin = self.holder.get(self.key), self.holder.get("_" + self.key)
        if self.index is None:
            return Content(value, twin)
        return Content(_item(value, self.index), _item(twin, self.index))

    @property
    def inner(self) -> dict[str, Any]:
        """The object that holds the children: of a primitive, its twin."""
        value, twin = self.content
        if isinstance(value, dict):
            return value
        return twin if isinstance(twin, dict) else {}

    @property
    def text(self) -> str:
        """The place as a simple FHIRPath: `Patient.contact[0].gender`."""
        if self.owner is None:
            return str(self.holder.get("resourceType", "Resource"))
        index = "" if self.index is None else f"[{self.index}]"
        name = (self.element.choice or self.key) if self.element else self.key
        return f"{self.owner.text}.{name}{index}"

    @property
    def depth(self) -> int:
        """How many JSON objects and lists hold this element."""
        if self.owner is None:
            return 0
        return self.owner.depth + (1 if self.index is None else 2)


def whole(resource: dict[str, Any]) -> Place:
    """The place of the resource itself."""
    return Place(None, resource, "", None, None, str(resource.get("resourceType", "")))


def children(place: Place, name: str) -> Iterator[Place]:
    """The children of one name; `value` finds `valueQuantity`."""
    inner = place.inner
    elements = definitions().elements(place.definition)
    for key in dict.fromkeys(key.removeprefix("_") for key in inner):
        element = elements.get(key)
        if key == "resourceType" or (key != name and (element is None or element.choice != name)):
            continue
        listed = isinstance(inner.get(key, inner.get("_" + key)), list)
        for index, content in enumerate(read_all(inner, key)):
            definition = _definition(element, content.value)
            yield Place(place, inner, key, index if listed else None, element, definition)


def _definition(element: Element | None, value: Any) -> str:
    if element is None or element.type == "Resource":
        return str(value.get("resourceType", "")) if isinstance(value, dict) else ""
    return element.children or "Element"


def _item(items: Any, index: int) -> Any:
    return items[index] if isinstance(items, list) and index < len(items) else None


def inner_for_more(place: Place) -> dict[str, Any]:
    """The object that holds the children, made where a primitive has no twin yet."""
    value, twin = place.content
    if not isinstance(value, dict) and not isinstance(twin, dict):
        put(place, Content(value, {}), place.key)
    return place.inner


def read_all(holder: dict[str, Any], key: str) -> list[Content]:
    """Every element under this name, of a list or single."""
    value, twin = holder.get(key), holder.get("_" + key)
    if not isinstance(value, list) and not isinstance(twin, list):
        return [] if value is None and twin is None else [Content(value, twin)]
    values = value if isinstance(value, list) else []
    twins = twin if isinstance(twin, list) else []
    length = max(len(values), len(twins))
    values = values + [None] * (length - len(values))
    twins = twins + [None] * (length - len(twins))
    return [Content(*pair) for pair in zip(values, twins, strict=True)]


def write_all(holder: dict[str, Any], key: str, found: list[Content]) -> None:
    """Makes this list what is under the name; an empty list takes the name away."""
    for name, items in ((key, [c.value for c in found]), ("_" + key, [c.twin for c in found])):
        _write(holder, name, items if any(item is not None for item in items) else None)


def write_one(holder: dict[str, Any], key: str, content: Content) -> None:
    """Makes this single element what is under the name."""
    _write(holder, key, content.value)
    _write(holder, "_" + key, content.twin)


def _write(holder: dict[str, Any], name: str, value: Any) -> None:
    if value is None:
        holder.pop(name, None)
    else:
        holder[name] = value


def put(place: Place, content: Content, key: str) -> None:
    """Replaces the element; `key` is another one where the type of a choice changes."""
    if key != place.key:
        _rename(place.holder, place.key, key)
    if place.index is None:
        write_one(place.holder, key, content)
    else:
        found = read_all(place.holder, key)
        found[place.index] = content
        write_all(place.holder, key, found)


def _rename(holder: dict[str, Any], old: str, new: str) -> None:
    """Another name at the same position: the order of elements stays."""
    names = {old: new, "_" + old: "_" + new}
    items = [(names.get(name, name), value) for name, value in holder.items()]
    holder.clear()
    holder.update(items)


def remove(place: Place) -> None:
    """Takes the element away, and every owner that is left empty."""
    if place.owner is None:
        return
    if place.index is None:
        write_one(place.holder, place.key, Content(None))
    else:
        found = read_all(place.holder, place.key)
        del found[place.index]
        write_all(place.holder, place.key, found)
    owner = place.owner
    if owner.owner is not None and not place.holder:
        _drop_inner(owner)


def _drop_inner(place: Place) -> None:
    """The object of the children is empty: of a primitive with a value only the twin goes."""
    value, _twin = place.content
    if value is None or isinstance(value, dict):
        remove(place)
    else:
        put(place, Content(value), place.key)
