"""How does a command tell what it did, and what it refused?

Plain lines: results on stdout, complaints on stderr. Text that comes from a file may hold control
characters; they are shown, not sent to the terminal.
"""

from __future__ import annotations

import re
import sys

from service.errors import HyoidError, Issue

FAILED = 1
MISUSED = 2

_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069]")


class RefusedError(Exception):
    """A command cannot do what it was asked; one line says why."""

    def __init__(self, text: str, exit_code: int = FAILED) -> None:
        super().__init__(text)
        self.exit_code = exit_code


def say(text: str) -> None:
    """One line on stdout."""
    print(printable(text), flush=True)


def complain(text: str) -> None:
    """One line on stderr."""
    print(printable(text), file=sys.stderr, flush=True)


def printable(text: str) -> str:
    """The text on one line, with control characters written as escapes."""
    return _CONTROL.sub(lambda match: f"\\x{ord(match[0]):02x}", text)


def told(issue: Issue) -> str:
    """An issue as part of a line: where in the resource, and what."""
    where = issue.expression or issue.location
    return f"{where}: {issue.text}" if where else issue.text


def complain_of(place: str, error: HyoidError) -> None:
    """One line for each issue of a refusal."""
    for issue in error.issues:
        complain(f"{place}: {told(issue)}")


def counted(number: int, noun: str, plural: str | None = None) -> str:
    """`1 resource`, `12,000 resources`."""
    return f"{number:,} {noun if number == 1 else plural or noun + 's'}"
