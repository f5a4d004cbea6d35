"""What stands in the form of an OAuth request? (RFC 6749, sections 3.1, 3.2 and appendix B)"""

from __future__ import annotations

from collections.abc import Mapping
from urllib.parse import parse_qsl

from service.access.refusals import InvalidRequest

FORM = "application/x-www-form-urlencoded"
MOST_BYTES = 64 * 1024


def form_in(body: bytes, content_type: str) -> dict[str, str]:
    """The fields; one without a value is left out. Raises InvalidRequest."""
    if content_type.partition(";")[0].strip().lower() != FORM:
        raise InvalidRequest(f"The body must be {FORM}")
    try:
        pairs = parse_qsl(
            body.decode("ascii"), keep_blank_values=True, errors="strict", max_num_fields=30
        )
    except ValueError:
        raise InvalidRequest("The form cannot be read") from None
    found = dict(pairs)
    if len(found) < len(pairs):
        raise InvalidRequest("A field of the form is given twice")
    return {name: value for name, value in found.items() if value}


def required(form: Mapping[str, str], name: str) -> str:
    """A field. Raises InvalidRequest where it is missing."""
    value = form.get(name)
    if value is None:
        raise InvalidRequest(f"{name} is needed")
    return value


def bearer_in(authorization: str) -> str | None:
    """The token of an Authorization header (RFC 6750, section 2.1); None where there is none."""
    scheme, _, token = authorization.partition(" ")
    return token.strip() or None if scheme.lower() == "bearer" else None
