"""How is a search refused? With the parameter named, as `http.[name]`.

R4: OperationOutcome.issue.location, "for HTTP errors, `http.` and the parameter name".
"""

from __future__ import annotations

from service.errors import HyoidError, Invalid, NotSupported, TooCostly


class UnknownParameterError(Exception):
    """A parameter that is not known here: ignored and told, or refused when handling is strict."""


def wrong_value(name: str, text: str) -> Invalid:
    """The parameter is known, its value cannot be read."""
    return Invalid(f"{name}: {text}", code="value", location=f"http.{name}")


def not_offered(name: str, text: str) -> NotSupported:
    """Understood, but not answered by this service."""
    return NotSupported(f"{name}: {text}", location=f"http.{name}")


def too_much(name: str, text: str) -> TooCostly:
    """Understood, but it would touch too much."""
    return TooCostly(f"{name}: {text}", location=f"http.{name}")


def not_worked_out(name: str, reason: HyoidError) -> HyoidError:
    """What a value set or code stands for cannot be told: a fault of the value, whatever the
    terminology answers to who asks for it itself."""
    if isinstance(reason, TooCostly):
        return too_much(name, "it stands for too many codes")
    return Invalid(f"{name}: {reason}", code=reason.issues[0].code, location=f"http.{name}")
