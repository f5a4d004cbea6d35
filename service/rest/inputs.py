"""What was handed to an operation, by name and of the type that its definition says?

From the query string, from a Parameters resource in the body, or, where an operation takes one
resource, from that resource as the body. R4: http://hl7.org/fhir/R4/operations.html#request.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal

from service.errors import Invalid, NotSupported
from service.rest.call import Call, Service
from service.rest.negotiation import COMMON
from service.rest.parameters import body_resource
from service.standard.validation import check

Kind = Literal["text", "flag", "number", "Coding", "CodeableConcept", "resource", "part"]
Table = Mapping[str, Kind]
"""The parameters that an operation takes, by name."""

_TEXTS = frozenset(
    f"value{kind}"
    for kind in ("String", "Uri", "Url", "Canonical", "Code", "Id", "DateTime", "Date", "Instant")
)
_KEYS: dict[Kind, frozenset[str]] = {
    "text": _TEXTS,
    "flag": frozenset({"valueBoolean"}),
    "number": frozenset({"valueInteger", "valueUnsignedInt", "valuePositiveInt"}),
    "Coding": frozenset({"valueCoding"}),
    "CodeableConcept": frozenset({"valueCodeableConcept"}),
    "resource": frozenset({"resource"}),
    "part": frozenset({"part"}),
}
_TRUTHS = {"true": True, "false": False}


class Inputs:
    """The parameters of one call, checked against the table of the operation."""

    def __init__(self, given: list[tuple[str, Any]]) -> None:
        self._given = given

    def all(self, name: str) -> list[Any]:
        """Every value of a parameter that may be given several times."""
        return [value for each, value in self._given if each == name]

    def one(self, name: str) -> Any:
        """The value of a parameter, or None. Raises Invalid where it was given twice."""
        found = self.all(name)
        if len(found) > 1:
            raise Invalid(f"{name} may be given once", code="value", location=f"http.{name}")
        return found[0] if found else None

    def need_one_of(self, *names: str) -> str:
        """The name of the one of these that was given. Raises Invalid unless it is just one."""
        given = [name for name in names if self.all(name)]
        if len(given) != 1:
            listed = ", ".join(names)
            text = "One" if len(names) > 1 else "This"
            told = f"{text} of these parameters is needed, and only one: {listed}"
            raise Invalid(told if len(names) > 1 else f"{listed} is needed", code="required")
        return given[0]


def inputs_of(service: Service, call: Call, table: Table) -> Inputs:
    """What the call brings. Raises Invalid, and NotSupported for parameters that are unknown."""
    given = [
        (name, _from_text(name, text, table)) for name, text in call.query if name not in COMMON
    ]
    body = body_resource(service, call)
    if body is not None:
        check(body)
        if body["resourceType"] == "Parameters":
            given += [_from_entry(entry, table) for entry in body.get("parameter", ())]
        else:
            given.append((_name_for(body, table), body))
    return Inputs(given)


def _name_for(body: dict[str, Any], table: Table) -> str:
    """The parameter that a bare resource stands for: `valueSet` for a ValueSet."""
    kind: str = body["resourceType"]
    name = kind[0].lower() + kind[1:]
    if table.get(name) != "resource":
        raise Invalid("The body must be a Parameters resource", expression="resourceType")
    return name


def _kind(name: str, table: Table) -> Kind:
    kind = table.get(name)
    if kind is None:
        raise NotSupported(
            f"The operation takes no parameter {name[:64]!r} here", location=f"http.{name[:64]}"
        )
    return kind


def _from_text(name: str, text: str, table: Table) -> Any:
    kind = _kind(name, table)
    if kind == "text":
        return text
    if kind == "flag" and text in _TRUTHS:
        return _TRUTHS[text]
    if kind == "number" and text.isascii() and text.isdecimal() and len(text) < 10:
        return int(text)
    if kind == "flag":
        told = f"{name} is true or false, not {text[:40]!r}"
    elif kind == "number":
        told = f"{name} is a whole number, not {text[:40]!r}"
    else:
        told = f"{name} is posted in a Parameters resource"
    raise Invalid(told, code="value", location=f"http.{name}")


def _from_entry(entry: dict[str, Any], table: Table) -> tuple[str, Any]:
    name = entry["name"]
    kind = _kind(name, table)
    for key, value in entry.items():
        if key in _KEYS[kind]:
            if kind == "number" and not (isinstance(value, int) and value >= 0):
                break
            if kind == "resource" and not _is_wanted(name, value):
                break
            return name, value
    expected = " or ".join(sorted(_KEYS[kind])) if kind != "text" else "a text"
    raise Invalid(
        f"The parameter {name} has to have {expected}",
        code="value",
        expression=f"Parameters.parameter.where(name = '{name}')",
    )


def _is_wanted(name: str, resource: dict[str, Any]) -> bool:
    kind = str(resource.get("resourceType"))
    return kind[:1].lower() + kind[1:] == name
