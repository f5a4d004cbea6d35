"""What does the service write about itself? Faults, on stderr: where, and of which kind; no data.

The text of an exception may hold what a client sent, so it is left out, whoever logs it: the
place in the code, the kind and the codes of the database and the system tell enough.
"""

from __future__ import annotations

import logging
import traceback
from types import TracebackType
from typing import Any

from service.commands._telling import printable

_CODES = ("errno", "sqlstate", "sqlite_errorname")

Raised = tuple[type[BaseException], BaseException, TracebackType | None] | tuple[None, None, None]


class WithoutData(logging.Formatter):
    """Lines that hold no text of an exception, and no control character of a client."""

    def format(self, record: logging.LogRecord) -> str:
        """A line for the message, and those of `formatException`."""
        line = f"{self.formatTime(record)} {record.levelname} {printable(record.getMessage())}"
        if record.exc_info and record.exc_info[1] is not None:
            return f"{line}\n{self.formatException(record.exc_info)}"
        return line

    def formatException(self, ei: Raised) -> str:  # noqa: N802
        """Where it was raised, its kind and codes; the same of what it came from."""
        parts: list[str] = []
        error, seen = ei[1], set[int]()
        while error is not None and id(error) not in seen:
            seen.add(id(error))
            places = traceback.extract_tb(error.__traceback__)
            lines = [f"  {place.filename}:{place.lineno} in {place.name}" for place in places]
            parts.append("\n".join([_kind(error), *lines]))
            error = error.__cause__ or error.__context__
        return "\nwhich came from\n".join(parts)


def _kind(error: BaseException) -> str:
    codes = ((name, getattr(error, name, None)) for name in _CODES)
    told = ", ".join(f"{name} {code}" for name, code in codes if isinstance(code, str | int))
    name = f"{type(error).__module__}.{type(error).__qualname__}"
    return f"{name} ({told})" if told else name


def log_config(level: str = "WARNING") -> dict[str, Any]:
    """For `logging.config`: every logger, ours and those of libraries, writes like that."""
    return {
        "version": 1,
        "disable_existing_loggers": False,
        "formatters": {"plain": {"()": "service.commands._logging.WithoutData"}},
        "handlers": {
            "stderr": {
                "class": "logging.StreamHandler",
                "formatter": "plain",
                "stream": "ext://sys.stderr",
            }
        },
        "root": {"handlers": ["stderr"], "level": level},
    }
