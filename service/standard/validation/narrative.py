"""Is the narrative safe and well-formed XHTML? (R4, Narrative; rules txt-1 and txt-2)

Allowed are the elements and attributes of chapters 7 to 11 (without 9.4) and 15 of HTML 4.0,
`a` and images. Nothing that runs or is fetched when the text is shown: no script, no handler,
no form, no frame, no style sheet, no external image.
"""

from __future__ import annotations

import re
from typing import Any

from lxml import etree

from service.standard.definitions import Element
from service.standard.validation.findings import Context, Place, shown
from service.standard.validation.primitives import MAX_CHARACTERS, is_clean

XHTML = "{http://www.w3.org/1999/xhtml}"

_ELEMENTS = frozenset(
    "div p br h1 h2 h3 h4 h5 h6 a span b em i strong small big tt dfn q var abbr acronym cite "
    "blockquote hr address bdo kbd sub sup ul ol li dl dt dd pre table caption colgroup col thead "
    "tr tfoot tbody th td code samp img map area".split()
)
_ATTRIBUTES = frozenset(
    "title style class id lang {http://www.w3.org/XML/1998/namespace}lang "
    "{http://www.w3.org/XML/1998/namespace}space dir accesskey tabindex span width align valign "
    "char charoff abbr axis headers scope rowspan colspan".split()
)
_OWN_ATTRIBUTES = {
    "a": "href name charset type hreflang rel rev shape coords",
    "img": "src alt longdesc height width usemap ismap border",
    "map": "name",
    "area": "shape coords href nohref alt",
    "blockquote": "cite",
    "q": "cite",
    "table": "summary border frame rules cellspacing cellpadding",
    "td": "nowrap",
    "th": "nowrap",
    "ol": "type start",
    "ul": "type",
    "li": "value type",
}
_ALLOWED = {
    name: _ATTRIBUTES | frozenset(_OWN_ATTRIBUTES.get(name, "").split()) for name in _ELEMENTS
}
_LINKS = ("href", "src", "cite", "longdesc", "usemap")
_SCHEME = re.compile(r"\s*([A-Za-z][A-Za-z0-9+.\-]*)\s*:")
_LINK_SCHEMES = frozenset(("http", "https", "mailto", "tel", "sms", "ftp", "urn"))
_ACTIVE_STYLE = re.compile(r"url\s*\(|expression\s*\(|@import|javascript:|behaviou?r\s*:|\\", re.I)
