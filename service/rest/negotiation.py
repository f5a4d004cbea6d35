"""In which form does the client send and want it? JSON; of a document also a page or a PDF.

The rest is refused by its name.

R4: http://hl7.org/fhir/R4/http.html#mime-type, #parameters, #ops (Prefer).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

from service.errors import Malformed, NotAcceptable, UnsupportedMediaType
from service.rest.call import Call

Form = Literal["json", "html", "pdf"]

COMMON = frozenset({"_format", "_pretty"})
"""Parameters of every interaction: the form of the answer."""

_JSON = frozenset({"application/fhir+json", "application/json", "text/json", "json"})
_ANY = frozenset({"*/*", "application/*"})
_FORMS: dict[str, Form] = {
    **dict.fromkeys(sorted(_JSON | _ANY), "json"),
    **dict.fromkeys(("text/html", "application/xhtml+xml", "text/*", "html"), "html"),
    **dict.fromkeys(("application/pdf", "pdf"), "pdf"),
}
_BODY = frozenset({"application/fhir+json", "application/json", "text/json"})


@dataclass(frozen=True, slots=True)
class Preference:
    """What `Prefer` asks for."""

    returned: str = "representation"
    strict: bool = False
    lenient: bool = False
    separate_export_status: bool = False


@lru_cache(maxsize=256)
def require_json_answer(accept: str, wanted: str | None) -> None:
    """Raise NotAcceptable unless JSON will do; `wanted` is the value of `_format`."""
    if wanted:
        if _base(wanted) not in _JSON:
            raise NotAcceptable(
                f"_format={wanted[:40]!r} is not offered; application/fhir+json is",
                location="http._format",
            )
        return
    offers = [part for part in accept.split(",") if part.strip()]
    if offers and not any(_acceptable(offer) for offer in offers):
        raise NotAcceptable(
            "None of the media types in Accept is offered; application/fhir+json is",
            location="http.Accept",
        )


@lru_cache(maxsize=256)
def document_form(accept: str, wanted: str | None) -> Form:
    """In which form a document is wanted: what `_format` says, else what `Accept` likes best; of
    equals the one named first. Raises NotAcceptable for any other form."""
    offered = "application/fhir+json, text/html and application/pdf are"
    if wanted:
        form = _FORMS.get(_base(wanted))
        if form is None:
            raise NotAcceptable(
                f"_format={wanted[:40]!r} is not offered; {offered}", location="http._format"
            )
        return form
    offers = [part for part in accept.split(",") if part.strip()]
    if not offers:
        return "json"
    best: tuple[float, Form] = (0.0, "json")
    for offer in offers:
        form = _FORMS.get(_base(offer))
        if form is not None and (form != "json" or _acceptable(offer)) and _weight(offer) > best[0]:
            best = (_weight(offer), form)
    if not best[0]:
        raise NotAcceptable(
            f"None of the media types in Accept is offered; {offered}", location="http.Accept"
        )
    return best[1]


def _weight(offer: str) -> float:
    """The q of a media type in Accept (RFC 9110, 12.4.2); what cannot be read counts as 1."""
    for parameter in offer.split(";")[1:]:
        name, _, value = parameter.strip().partition("=")
        if name.strip().lower() == "q":
            try:
                return min(max(float(value), 0.0), 1.0)
            except ValueError:
                return 1.0
    return 1.0


def _acceptable(offer: str) -> bool:
    parameters = [part.strip().lower() for part in offer.split(";")[1:]]
    version = next((p[12:].strip('"') for p in parameters if p.startswith("fhirversion=")), "4.0")
    refused = any(p.replace(" ", "") in ("q=0", "q=0.0", "q=0.00", "q=0.000") for p in parameters)
    return _base(offer) in _JSON | _ANY and version in ("4.0", "4.0.1") and not refused


def _base(media_type: str) -> str:
    # A `+` in a query string arrives as a space.
    return media_type.split(";")[0].strip().lower().replace(" ", "+")


@lru_cache(maxsize=256)
def require_json_body(content_type: str) -> None:
    """Raise UnsupportedMediaType unless the body is declared as JSON in UTF-8."""
    base = _base(content_type)
    if base not in _BODY:
        raise UnsupportedMediaType(
            f"The body is {base[:60] or 'of no declared type'!r}; application/fhir+json is taken",
            location="http.Content-Type",
        )
    require_utf8(content_type)


def require_utf8(content_type: str) -> None:
    """Raise UnsupportedMediaType where another encoding is declared."""
    for parameter in content_type.lower().split(";")[1:]:
        name, _, value = parameter.strip().partition("=")
        if name == "charset" and value.strip('"') not in ("utf-8", "utf8", "us-ascii"):
            raise UnsupportedMediaType(
                "The body must be encoded in UTF-8", location="http.Content-Type"
            )


def require_plain_body(encoding: str | None) -> None:
    """Raise UnsupportedMediaType where the body is declared as compressed."""
    if encoding is not None and encoding.strip().lower() not in ("", "identity"):
        raise UnsupportedMediaType(
            f"The body is encoded as {encoding[:40]!r}; it is taken as it is only",
            location="http.Content-Encoding",
            headers={"Accept-Encoding": "identity"},
        )


@lru_cache(maxsize=256)
def preference(header: str) -> Preference:
    """Read `Prefer`; what is unknown in it is ignored (RFC 7240)."""
    found: dict[str, str] = {}
    for part in header.replace(";", ",").split(","):
        name, _, value = part.strip().partition("=")
        found.setdefault(name.lower(), value.strip('" '))
    returned = found.get("return", "representation")
    if returned not in ("minimal", "representation", "OperationOutcome"):
        returned = "representation"
    handling = found.get("handling")
    return Preference(
        returned,
        handling == "strict",
        handling == "lenient",
        "separate-export-status" in found,
    )


def wants_pretty(call: Call) -> bool:
    """Whether `_pretty=true` was asked. Raises Malformed for any other word."""
    value = call.parameter("_pretty")
    if value in (None, "", "false"):
        return False
    if value == "true":
        return True
    raise Malformed("_pretty is true or false", code="value", location="http._pretty")
