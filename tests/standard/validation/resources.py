"""Small valid resources that the tests change, and what they ask of the findings."""

from __future__ import annotations

from typing import Any

from service.standard.validation import validate

XHTML = 'xmlns="http://www.w3.org/1999/xhtml"'
UUID = "urn:uuid:c757873d-ec9a-4326-a141-556f43239520"
Resource = dict[str, Any]


def narrative(div: str = f"<div {XHTML}>Text</div>") -> Resource:
    return {"status": "generated", "div": div}


def resource(type_: str, /, **elements: Any) -> Resource:
    """A resource with narrative; an element that is None is left out."""
    made = {"resourceType": type_, "text": narrative(), **elements}
    return {name: value for name, value in made.items() if value is not None}


def observation(**elements: Any) -> Resource:
    return resource("Observation", **({"status": "final", "code": {"text": "MPT"}} | elements))


def patient(**elements: Any) -> Resource:
    return resource("Patient", **elements)


def extended(**value: Any) -> Resource:
    """A Patient with one extension of this value."""
    return patient(extension=[{"url": "http://example.org/x", **value}])


def bundle(type_: str, *entries: Resource, **elements: Any) -> Resource:
    made = {"resourceType": "Bundle", "type": type_, **elements}
    return made | {"entry": list(entries)} if entries else made


def errors(checked: Resource) -> list[tuple[str, str | None]]:
    """Code and expression of every error."""
    return [(i.code, i.expression) for i in validate(checked) if i.severity == "error"]


def warnings(checked: Resource) -> list[tuple[str, str | None]]:
    """Code and expression of every warning."""
    return [(i.code, i.expression) for i in validate(checked) if i.severity == "warning"]


def keys(checked: Resource) -> set[str]:
    """Keys of the rules that are broken, as the texts name them in brackets at the end."""
    texts = [issue.text for issue in validate(checked) if issue.text.endswith(")")]
    return {text.rpartition("(")[2].rstrip(")") for text in texts}
