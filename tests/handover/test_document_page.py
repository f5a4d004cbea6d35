"""Stored narratives come from anybody: what of them reaches the page?

Outside sources: the cross-site scripting vectors that the OWASP cheat sheet series lists by kind
(event handler, script URL, foreign content, broken nesting, style); html.parser of the standard
library reads what comes out.
"""

from __future__ import annotations

from html.parser import HTMLParser

import pytest

from service.handover.document_page import policy, safe, style


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += attrs

    def handle_data(self, data: str) -> None:
        self.text += data


def read(html: str) -> _Reader:
    reader = _Reader()
    reader.feed(html)
    reader.close()
    return reader


def div(inside: str) -> str:
    return f'<div xmlns="http://www.w3.org/1999/xhtml">{inside}</div>'


@pytest.mark.parametrize(
    "inside",
    [
        "<script>alert(1)</script>",
        '<p onclick="alert(1)">x</p>',
        '<img src="x" onerror="alert(1)"/>',
        '<a href="javascript:alert(1)">x</a>',
        '<a href="https://x.example" onclick="alert(1)" target="_top">x</a>',
        '<a href="java&#10;script:alert(1)">x</a>',
        '<a href="data:text/html,x">x</a>',
        '<svg xmlns="http://www.w3.org/2000/svg"><script>alert(1)</script></svg>',
        '<math xmlns="http://www.w3.org/1998/Math/MathML"><mtext>x</mtext></math>',
        '<style>@import "//x.example"</style>',
        '<p style="background: url(//x.example)">x</p>',
        '<iframe src="//x.example"/>',
        '<form action="//x.example"><input/></form>',
        '<object data="//x.example"/>',
        '<p id="main" class="state" name="x">x</p>',
        '<noscript><p title="&lt;/noscript&gt;&lt;img src=x onerror=alert(1)&gt;"/></noscript>',
        "<!-- --><!--><script>x</script>-->",
        "<?php echo 1 ?>",
        "<title><p>x</p></title><textarea><p>y</p></textarea>",
    ],
)
def test_nothing_that_acts_survives(inside: str) -> None:
    found = read(safe(div(inside)))
    allowed = {"div", "p", "a"}
    assert set(found.tags) <= allowed, found.tags
    for name, value in found.attributes:
        assert name in ("href", "rel", "title"), (name, value)
        if name == "href":
            assert str(value).startswith(("http:", "https:", "mailto:", "tel:"))
    assert "alert(1)" not in [value for _, value in found.attributes]


def test_text_lists_tables_and_links_survive() -> None:
    inside = (
        "<p>A &amp; B &lt;b&gt; <b>bold</b></p><ul><li>one</li></ul><table><caption>t</caption>"
        '<tbody><tr><th scope="row">h</th><td colspan="2">c</td></tr></tbody></table>'
        '<a href="https://x.example/">there</a>'
    )
    html = safe(div(inside))
    found = read(html)
    assert "A &amp; B &lt;b&gt;" in html
    assert found.tags == (
        ["div", "p", "b", "ul", "li", "table", "caption", "tbody", "tr", "th", "td", "a"]
    )
    assert ("colspan", "2") in found.attributes
    assert ("rel", "noopener noreferrer") in found.attributes


@pytest.mark.parametrize(
    ("written", "kept"),
    [
        ("2", "2"),
        ("050", "50"),
        ("51", "50"),
        ("9" * 30, "50"),
        ("-5", None),
        ("x", None),
        ("\u0665", None),
    ],
)
def test_a_cell_spans_no_more_columns_than_a_page_has_room_for(
    written: str, kept: str | None
) -> None:
    html = safe(div(f'<table><tbody><tr><td colspan="{written}">c</td></tr></tbody></table>'))
    assert dict(read(html).attributes).get("colspan") == kept
    assert "c</td>" in html


def test_empty_elements_do_not_swallow_what_follows() -> None:
    """As XML `<a name="x"/>` is empty; an HTML parser would make a link of all that follows."""
    html = safe(div('<a name="x"/><p>text</p><td/>'))
    assert "</a><p>text</p>" in html
    assert "text" in read(html).text


@pytest.mark.parametrize("broken", ["", "<div>", "no markup & < text", "<div>&nbsp;</div>"])
def test_what_is_no_xml_is_shown_as_text(broken: str) -> None:
    found = read(safe(broken))
    assert set(found.tags) <= {"p"}
    assert found.text == broken


def test_entities_of_a_document_type_are_not_expanded() -> None:
    bomb = '<!DOCTYPE d [<!ENTITY a "aaaa"><!ENTITY b SYSTEM "file:///etc/hostname">]>'
    text = read(safe(bomb + div("<p>&a;&b;</p>"))).text
    assert "aaaa" not in text.replace('"aaaa"', "")


def test_policy_allows_the_style_sheet_only() -> None:
    assert policy().startswith("default-src 'none';")
    assert "script-src" not in policy()
    assert "sandbox" in policy()
    for word in ("url(", "@import", "</", "expression"):
        assert word not in style()
