"""Outside source: R4, Narrative, rules txt-1 and txt-2 and the list of what may never be in it;
HTML 4.0 chapters 7 to 11 and 15."""

from __future__ import annotations

import pytest

from tests.standard.validation.resources import XHTML, errors, narrative, patient, resource

GOOD = [
    f"<div {XHTML}>Text</div>",
    f"  <div {XHTML}>\n<p>Text &amp; &#160; &lt;</p>\n</div>\n",
    f'<div {XHTML} xml:lang="de" lang="de"><h1 id="a" class="bold">A</h1><br/>b</div>',
    f'<div {XHTML}><img src="#pic" alt="a"/></div>',
    f'<div {XHTML}><img src="data:image/png;base64,AAAA" alt="a"/></div>',
    f'<div {XHTML}><img src="icon.png" style="width: 1em"/></div>',
    f'<div {XHTML}><a href="https://example.org/a">a</a> <a name="b">b</a></div>',
    f'<div {XHTML}><a href="#b">a</a> <a href="Patient/1">a</a></div>',
    f'<div {XHTML}><a href="mailto:a@example.org">b</a></div>',
    f'<div {XHTML}><table class="grid" border="1" cellpadding="2"><caption>c</caption><colgroup>'
    '<col width="3"/></colgroup><thead><tr><th scope="col">a</th></tr></thead><tbody><tr>'
    '<td colspan="2" rowspan="1" align="left" style="background-image: url(tbl_bck1.png)">'
    "a</td></tr></tbody></table></div>",
    f"<div {XHTML}><ul><li>a</li></ul><ol><li>b</li></ol><dl><dt>c</dt><dd>d</dd></dl></div>",
    f"<div {XHTML}><blockquote><pre>a</pre></blockquote><q>a</q><sub>a</sub><tt>b</tt></div>",
    f"<div {XHTML}><!-- a comment -->a</div>",
]
BAD = {
    "no namespace": "<div>Text</div>",
    "another namespace": '<div xmlns="http://example.org">Text</div>',
    "another root": f"<p {XHTML}>Text</p>",
    "no element": "Text",
    "prolog": f'<?xml version="1.0"?><div {XHTML}>Text</div>',
    "not closed": f"<div {XHTML}><p>Text</div>",
    "two roots": f"<div {XHTML}>a</div><div {XHTML}>b</div>",
    "named entity": f"<div {XHTML}>a&nbsp;b</div>",
    "own entity": f'<!DOCTYPE div [<!ENTITY a "b">]><div {XHTML}>&a;</div>',
    "external entity": f'<!DOCTYPE div [<!ENTITY a SYSTEM "file:///x">]><div {XHTML}>&a;</div>',
    "empty": f"<div {XHTML}/>",
    "white space": f"<div {XHTML}> \n&#160;<b> </b><!-- a --></div>",
    "script": f"<div {XHTML}>a<script>b</script></div>",
    "style sheet": f"<div {XHTML}>a<style>b</style></div>",
    "form": f'<div {XHTML}><form action="a">b</form></div>',
    "input": f"<div {XHTML}>a<input/></div>",
    "frame": f'<div {XHTML}>a<iframe src="b"/></div>',
    "object": f'<div {XHTML}>a<object data="b"/></div>',
    "link": f'<div {XHTML}>a<link href="b"/></div>',
    "base": f'<div {XHTML}>a<base href="b"/></div>',
    "body": f"<div {XHTML}><body>a</body></div>",
    "upper case": f"<div {XHTML}><P>a</P></div>",
    "svg": f'<div {XHTML}>a<svg xmlns="http://www.w3.org/2000/svg" onload="b"/></div>',
    "prefix": f'<div {XHTML} xmlns:h="http://www.w3.org/1999/xhtml"><h:b>a</h:b></div>',
    "handler": f'<div {XHTML} onclick="a()">b</div>',
    "xlink": f'<div {XHTML} xmlns:x="http://www.w3.org/1999/xlink"><a x:href="b">c</a></div>',
    "script link": f'<div {XHTML}><a href="javascript:a()">b</a></div>',
    "hidden script link": f'<div {XHTML}><a href=" java&#10;script:a()">b</a></div>',
    "data link": f'<div {XHTML}><a href="data:text/html,b">c</a></div>',
    "external image": f'<div {XHTML}><img src="https://example.org/a.png"/></div>',
    "image of any protocol": f'<div {XHTML}><img src="//example.org/a.png"/></div>',
    "svg image": f'<div {XHTML}><img src="data:image/svg+xml,b"/></div>',
    "fetching style": f'<div {XHTML} style="background: url(http://example.org/a)">b</div>',
    "quoted fetching style": f"<div {XHTML} style=\"background: URL( '//example.org/a')\">b</div>",
    "running style": f'<div {XHTML} style="width: expression(a)">b</div>',
    "escaped style": f'<div {XHTML} style="background: u\\72l(http://example.org)">b</div>',
    "instruction": f"<div {XHTML}><?php a?>b</div>",
    "CDATA": f"<div {XHTML}><![CDATA[><script>a</script>]]>b</div>",
    "comment that HTML ends early": f"<div {XHTML}><!--><script>a</script>-->b</div>",
    "too deep": f"<div {XHTML}>" + "<b>" * 5000 + "a" + "</b>" * 5000 + "</div>",
    "control character": f"<div {XHTML}>a\x00</div>",
}


@pytest.mark.parametrize("div", GOOD)
def test_plain_formatting_is_accepted(div: str) -> None:
    assert errors(patient(text=narrative(div))) == []


@pytest.mark.parametrize("case", BAD)
def test_what_runs_fetches_or_is_malformed_is_refused(case: str) -> None:
    found = errors(patient(text=narrative(BAD[case])))
    assert {place for _, place in found} == {"Patient.text.div"}


def test_narrative_of_sections_is_read_too() -> None:
    composition = resource(
        "Composition",
        status="final",
        type={"text": "a"},
        date="2026",
        title="b",
        author=[{"display": "c"}],
        section=[{"text": narrative(f"<div {XHTML}><script/>a</div>")}],
    )
    assert errors(composition) == [("invalid", "Composition.section[0].text.div")]
