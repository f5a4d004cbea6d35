"""Is the narrative safe and well-formed XHTML? (R4, Narrative; rules txt-1 and txt-2)

Allowed are the elements and attributes of chapters 7 to 11 (without 9.4) and 15 of HTML 4.0,
`a` and images. Nothing that runs or is fetched when the text is shown: no script, no handler,
no form, no frame, no style sheet, no external image.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from typing import Any

from lxml import etree

from service.standard.definitions import Element
from service.standard.validation.findings import Context, Place, shown

_PARSER = etree.XMLParser(
    resolve_entities=False, load_dtd=False, dtd_validation=False, no_network=True, huge_tree=False
)
_NONE: frozenset[str] = frozenset()
XHTML = "{http://www.w3.org/1999/xhtml}"

_ELEMENTS = frozenset(
    {"div", "p", "br", "h1", "h2", "h3", "h4", "h5", "h6", "a", "span", "b", "em", "i", "strong"}
    | {"small", "big", "tt", "dfn", "q", "var", "abbr", "acronym", "cite", "blockquote", "hr"}
    | {"address", "bdo", "kbd", "sub", "sup", "ul", "ol", "li", "dl", "dt", "dd", "pre", "table"}
    | {"caption", "colgroup", "col", "thead", "tr", "tfoot", "tbody", "th", "td", "code", "samp"}
    | {"img", "map", "area"}
)
_XML = "{http://www.w3.org/XML/1998/namespace}"
_ATTRIBUTES = frozenset(
    {"title", "style", "class", "id", "lang", "dir", "accesskey", "tabindex", "span", "width"}
    | {"height", "align", "valign", "char", "charoff", "abbr", "axis", "headers", "scope"}
    | {"rowspan", "colspan", "nowrap", "border", "frame", "rules", "cellspacing", "cellpadding"}
    | {"summary", "start", "value", "type", "compact", f"{_XML}lang", f"{_XML}space"}
)
_LINK_ATTRIBUTES = {
    "a": frozenset(["href", "name", "charset", "hreflang", "rel", "rev", "shape", "coords"]),
    "img": frozenset(["src", "alt", "longdesc", "usemap", "ismap", "hspace", "vspace"]),
    "map": frozenset(("name",)),
    "area": frozenset(["shape", "coords", "href", "nohref", "alt"]),
    "blockquote": frozenset(("cite",)),
    "q": frozenset(("cite",)),
}
_LINKS = frozenset(("href", "src", "cite", "longdesc", "usemap"))
_LINK_SCHEMES = frozenset(("http", "https", "mailto", "tel", "sms", "ftp", "urn"))
_SCHEME = re.compile(r"([A-Za-z][A-Za-z0-9+.\-]*):|(//)")
_IMAGE_DATA = re.compile(r"data:image/(?!svg)", re.IGNORECASE)
_STYLE_URL = re.compile(r"url\(([^)]*)", re.IGNORECASE)
_ACTIVE_STYLE = re.compile(r"expression\(|@import|javascript:|behaviou?r:|-moz-binding|\\", re.I)
_INVISIBLE = re.compile(r"[\x00-\x20]")


def narrative_checks(element: Element) -> tuple[Callable[[Any, Place, Context], None], ...]:
    """What an xhtml element must keep to."""
    return (check_narrative,)


def check_narrative(value: str, place: Place, context: Context) -> None:
    """Every kind of thing that is wrong with this narrative, each once."""
    for text in dict.fromkeys(_faults(value)):
        context.add("invalid", text, place)


def _faults(text: str) -> Iterator[str]:
    if not text.lstrip().startswith("<div"):
        yield "The narrative must start with <div"
        return
    if "<![CDATA[" in text:
        yield "The narrative must not hold CDATA sections, which HTML does not read"
        return
    try:
        root = etree.fromstring(text, _PARSER)
    except (etree.XMLSyntaxError, ValueError) as error:
        reason = str(error).partition(" (<string>")[0]
        yield f"The narrative is no well-formed XHTML: {reason[:120]}"
        return
    has_content = False
    for node in root.iter():
        if isinstance(node.tag, str):
            yield from _element_faults(node)
            has_content = has_content or node.tag == f"{XHTML}img" or _says_something(node.text)
        elif node.tag is not etree.Comment:
            yield "The narrative must not hold processing instructions or entities (txt-1)"
        elif (node.text or "").startswith((">", "->")):
            yield "The narrative holds a comment that HTML would read otherwise (txt-1)"
        has_content = has_content or (node is not root and _says_something(node.tail))
    if not has_content:
        yield "The narrative must have some text or an image (txt-2)"


def _says_something(text: str | None) -> bool:
    return text is not None and not (text == "" or text.isspace())


def _element_faults(node: Any) -> Iterator[str]:
    name = node.tag.removeprefix(XHTML)
    if name == node.tag or node.prefix:
        yield f"<{name[:40]}> is not in the namespace http://www.w3.org/1999/xhtml"
        return
    if name not in _ELEMENTS:
        yield f"<{name[:40]}> is not allowed in narrative (txt-1)"
        return
    own = _LINK_ATTRIBUTES.get(name, _NONE)
    if len(node.attrib) > len(_ATTRIBUTES) + len(own):
        # To look at them one by one would take the square of their number.
        yield f"<{name}> has attributes that are not allowed in narrative (txt-1)"
        return
    for attribute, value in node.attrib.items():
        if attribute not in _ATTRIBUTES and attribute not in own:
            yield f"{attribute[:40]} on <{name}> is not allowed in narrative (txt-1)"
        elif attribute == "style" and not _is_passive(value):
            yield "A style that runs or fetches something is not allowed in narrative (txt-1)"
        elif attribute in _LINKS and not _is_harmless(value, name):
            yield f"{attribute} on <{name}> leads to {shown(value)}, which is not allowed (txt-1)"


def _is_passive(style: str) -> bool:
    packed = _INVISIBLE.sub("", style)
    if _ACTIVE_STYLE.search(packed):
        return False
    return all(_is_image(url.strip("'\"")) for url in _STYLE_URL.findall(packed))


def _is_harmless(link: str, element: str) -> bool:
    packed = _INVISIBLE.sub("", link)
    if element == "img":
        return _is_image(packed)
    scheme = _SCHEME.match(packed)
    return scheme is None or scheme[2] is not None or scheme[1].lower() in _LINK_SCHEMES


def _is_image(link: str) -> bool:
    """Inside the resource or beside it; an image from elsewhere would tell that it was shown."""
    return _SCHEME.match(link) is None or _IMAGE_DATA.match(link) is not None
