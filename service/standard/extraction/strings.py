"""Which texts and URIs does a value hold? FHIR R4, Search, sections string, uri."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

from service.standard.definitions import Element
from service.standard.extraction.rows import SearchValues, Use, Writer
from service.standard.extraction.text import clip, fold

NAME_PARTS = ("text", "family", "given", "prefix", "suffix")
ADDRESS_PARTS = ("text", "line", "city", "district", "state", "postalCode", "country")


def _text(uses: tuple[Use, ...], element: Element) -> Writer:
    params = [use.param for use in uses]

    def write(value: Any, grp: int, rows: SearchValues) -> None:
        folded = clip(fold(value))
        if folded:
            exact = clip(value)
            for param in params:
                rows.strings.append((param, folded, exact, grp))

    return write


def _parts(names: tuple[str, ...]) -> Callable[[tuple[Use, ...], Element], Writer]:
    """Each part of a name or address is found by itself."""

    def made(uses: tuple[Use, ...], element: Element) -> Writer:
        write_text = _text(uses, element)

        def write(value: Any, grp: int, rows: SearchValues) -> None:
            for text in _texts(value, names):
                write_text(text, grp, rows)

        return write

    return made


def _texts(value: Any, names: tuple[str, ...]) -> Iterator[str]:
    for name in names:
        part = value.get(name)
        if isinstance(part, str):
            yield part
        elif part:
            yield from (text for text in part if text is not None)


def _uri(uses: tuple[Use, ...], element: Element) -> Writer:
    params = [use.param for use in uses]

    def write(value: Any, grp: int, rows: SearchValues) -> None:
        for param in params:
            rows.uris.append((param, clip(value), grp))

    return write


def _canonical(uses: tuple[Use, ...], element: Element) -> Writer:
    """With a version it is found with and without it."""
    write_uri = _uri(uses, element)

    def write(value: Any, grp: int, rows: SearchValues) -> None:
        write_uri(value, grp, rows)
        url, bar, _ = value.partition("|")
        if bar:
            write_uri(url, grp, rows)

    return write


STRINGS: dict[str, Callable[[tuple[Use, ...], Element], Writer]] = {
    "string": _text,
    "markdown": _text,
    "HumanName": _parts(NAME_PARTS),
    "Address": _parts(ADDRESS_PARTS),
    "ContactDetail": _parts(("name",)),
}
URIS: dict[str, Callable[[tuple[Use, ...], Element], Writer]] = {
    "uri": _uri,
    "url": _uri,
    "oid": _uri,
    "uuid": _uri,
    "canonical": _canonical,
}
