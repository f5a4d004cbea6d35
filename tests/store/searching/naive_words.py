"""`_text` and `_content` read plainly, for comparison: each resource is looked at, word by word.

Apart from the code of the service: the narrative is read by the parser of the standard library,
and what is text in the invented clinic is told by the names of its elements here.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator
from html.parser import HTMLParser
from typing import Any

Resource = dict[str, Any]

TEXTS = {"text", "display", "family", "given", "city", "name", "title", "unit", "valueString"}
INLINE = {"b", "i", "span"}


class _Shown(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.text = ""

    def handle_starttag(self, tag: str, attrs: Any) -> None:
        self.text += "" if tag in INLINE else " "

    def handle_endtag(self, tag: str) -> None:
        self.text += "" if tag in INLINE else " "

    def handle_data(self, data: str) -> None:
        self.text += data


def narrative(resource: Resource) -> str:
    shown = _Shown()
    shown.feed(resource.get("text", {}).get("div", ""))
    return shown.text


def content(part: Any, name: str = "") -> Iterator[str]:
    """Texts of a resource but for its narrative and identifiers."""
    if isinstance(part, dict):
        for key, value in part.items():
            if key == "text" and isinstance(value, dict):
                continue
            yield from content(value, key)
    elif isinstance(part, list):
        for one in part:
            yield from content(one, name)
    elif isinstance(part, str) and name in TEXTS:
        yield part


def telecoms(resource: Resource) -> Iterator[str]:
    for point in resource.get("telecom", ()):
        yield point["value"]


def plain_words(text: str) -> list[str]:
    bare = "".join(c for c in unicodedata.normalize("NFKD", text) if not unicodedata.combining(c))
    cut = "".join(c if c.isalnum() else " " for c in bare.casefold())
    return cut.split()


def finds(resource: Resource, name: str, value: str) -> bool:
    """Whether `_text` or `_content` with this value finds the resource."""
    texts = [narrative(resource)]
    if name == "_content":
        texts += [*content(resource), *telecoms(resource)]
    held = [plain_words(text) for text in texts]
    return any(all(_term(held, term) for term in _terms(one)) for one in value.split(","))


def _terms(text: str) -> list[str]:
    return re.findall(r'"[^"]*"|\S+', text)


def _term(held: list[list[str]], term: str) -> bool:
    wanted, begins = plain_words(term), term.endswith("*")
    size = len(wanted)
    return any(
        _meets(words[at : at + size], wanted, begins) for words in held for at in range(len(words))
    )


def _meets(words: list[str], wanted: list[str], begins: bool) -> bool:
    if not begins:
        return words == wanted
    return (
        len(words) == len(wanted) and words[:-1] == wanted[:-1] and words[-1].startswith(wanted[-1])
    )
