"""Narrative that is not safe, and resources contained in others as they must not be.

Sources: http://hl7.org/fhir/R4/narrative.html (txt-1, txt-2),
http://hl7.org/fhir/R4/references.html#contained (dom-2 to dom-5).
"""

from __future__ import annotations

from typing import Any

from tests.contract.asked import Bad, Resource, posted, without
from tests.factories.clinical import observation, patient

_PATIENT, _OBSERVATION = patient(), observation()
_XHTML = 'xmlns="http://www.w3.org/1999/xhtml"'
_EXTENSION = "https://hyoid.example/fhir/StructureDefinition/x"


def _tells(row: str, div: str) -> Bad:
    text = {"status": "generated", "div": div}
    return posted(row, _PATIENT | {"text": text}, "invalid", "Patient.text.div")


def _shows(row: str, inner: str) -> Bad:
    return _tells(row, f"<div {_XHTML}>{inner}</div>")


def _holds(row: str, code: str, where: str, *contained: Resource, **more: Any) -> Bad:
    return posted(row, _OBSERVATION | {"contained": list(contained)} | more, code, where)


_NARRATIVE = [
    _shows("script", "x<script>alert(1)</script>"),
    _shows("onclick", '<p onclick="alert(1)">x</p>'),
    _shows("image from elsewhere", '<img src="https://evil.example/x.png" alt="x"/>'),
    _shows("image without a scheme", '<img src="//evil.example/x.png" alt="x"/>'),
    _shows("script as a link", '<a href="javascript:alert(1)">x</a>'),
    _shows("script as a link, hidden", '<a href="java&#10;script:alert(1)">x</a>'),
    _shows("page as a link", '<a href="data:text/html,&lt;script&gt;">x</a>'),
    _shows("frame", '<iframe src="https://evil.example"/>'),
    _shows("form", '<form action="https://evil.example"><input name="x"/></form>'),
    _shows("style that fetches", '<p style="background:url(https://evil.example/x)">x</p>'),
    _shows("style element", "<style>p {}</style>x"),
    _shows("drawing with script", '<svg xmlns="http://www.w3.org/2000/svg" onload="x"/>'),
    _shows("drawing as image", '<img src="data:image/svg+xml;base64,PHN2Zy8+" alt="x"/>'),
    _shows("unclosed element", "<p>x"),
    _shows("nothing to read", " <p> </p>"),
    _tells("no XHTML", "x"),
    _tells("no namespace", "<div>x</div>"),
    _tells("not a div", f"<p {_XHTML}>x</p>"),
    _tells("two roots", f"<div {_XHTML}>x</div><div {_XHTML}>y</div>"),
    _tells(
        "entity from a file",
        f'<!DOCTYPE d [<!ENTITY e SYSTEM "file:///etc/passwd">]><div {_XHTML}>&e;</div>',
    ),
    _tells("instruction", f"<div {_XHTML}>x<?php echo 1 ?></div>"),
]

_HELD = {"resourceType": "Patient", "id": "p", "active": True}
_CONTAINED = [
    _holds("contained and not referred to", "invariant", "Observation", _HELD),
    _holds(
        "contained twice under one id",
        "duplicate",
        "Observation.contained[1]",
        _HELD,
        _HELD,
        subject={"reference": "#p"},
    ),
    _holds("contained without id", "invariant", "Observation", without(_HELD, "id")),
    _holds(
        "contained in contained",
        "invariant",
        "Observation",
        _HELD
        | {
            "contained": [{"resourceType": "Group", "id": "g", "type": "person", "actual": True}],
            "extension": [{"url": _EXTENSION, "valueReference": {"reference": "#g"}}],
        },
        subject={"reference": "#p"},
    ),
    _holds(
        "contained with a version",
        "invariant",
        "Observation",
        _HELD | {"meta": {"versionId": "1"}},
        subject={"reference": "#p"},
    ),
    _holds(
        "contained with a label",
        "invariant",
        "Observation",
        _HELD | {"meta": {"security": [{"code": "R"}]}},
        subject={"reference": "#p"},
    ),
    _holds(
        "contained of no type",
        "structure",
        "Observation.contained[0]",
        {"id": "p"},
        subject={"reference": "#p"},
    ),
    _holds(
        "contained of a type not allowed",
        "value",
        "Observation.subject",
        {"resourceType": "Organization", "id": "p", "name": "x"},
        subject={"reference": "#p"},
    ),
    posted(
        "contained and wrong",
        _OBSERVATION | {"contained": [_HELD | {"gender": "F"}], "subject": {"reference": "#p"}},
        "code-invalid",
        "Observation.contained[0].gender",
        422,
    ),
]

ROWS = [*_NARRATIVE, *_CONTAINED]
