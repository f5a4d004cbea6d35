"""Which of two dates that may be partial is earlier? (FHIRPath N1, section Comparison)"""

from __future__ import annotations

import re

from service.standard.partial_dates import interval

_DATE = re.compile(r"[0-9]{4}(-[0-9]{2}(-[0-9]{2}(T[0-9:.]+(Z|[+-][0-9]{2}:[0-9]{2})?)?)?)?")


def is_date(text: str) -> bool:
    """Whether this looks like a date or dateTime."""
    return _DATE.fullmatch(text) is not None


def order_of_dates(a: str, b: str) -> int | None:
    """-1, 0 or 1; None where the common precision does not decide.

    Two times are compared as instants. Where one side has no time, and so no zone, the two are
    compared as they are written.
    """
    if "T" in a and "T" in b:
        try:
            x, y = interval(a)[0], interval(b)[0]
        except ValueError:
            return None
        return (x > y) - (x < y)
    dates = a.partition("T")[0], b.partition("T")[0]
    shared = min(map(len, dates))
    x_text, y_text = dates[0][:shared], dates[1][:shared]
    if x_text != y_text:
        return (x_text > y_text) - (x_text < y_text)
    return 0 if a == b else None
