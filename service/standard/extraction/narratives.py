"""Which text does a narrative show? FHIR R4, Narrative.

What stands within a line stays together (`ton<b>gue</b>` is one word); every other element begins
a new one. An image is read by what is said in its place.
"""

from __future__ import annotations

from lxml import etree

_PARSER = etree.XMLParser(
    resolve_entities=False, load_dtd=False, dtd_validation=False, no_network=True, huge_tree=False
)
_XHTML = "{http://www.w3.org/1999/xhtml}"
_INLINE = frozenset(
    {"a", "abbr", "acronym", "b", "bdo", "big", "cite", "code", "dfn", "em", "i", "kbd", "samp"}
    | {"small", "span", "strong", "sub", "sup", "tt", "var"}
)


def shown_text(div: str) -> str:
    """The text of an XHTML `div`; empty where it is not well-formed."""
    try:
        root = etree.fromstring(div, _PARSER)
    except (etree.XMLSyntaxError, ValueError):
        return ""
    parts: list[str] = []
    for event, node in etree.iterwalk(root, events=("start", "end", "comment")):
        if event == "comment":
            parts.append(node.tail or "")
            continue
        name = str(node.tag).removeprefix(_XHTML)
        edge = "" if name in _INLINE else " "
        if event == "start":
            parts += (edge, node.get("alt", "") if name == "img" else "", node.text or "")
        else:
            parts += (edge, "" if node is root else node.tail or "")
    return "".join(parts)
