"""What does the query string of a search ask for?

Source: http://hl7.org/fhir/R4/search.html. The parts are read in `service.standard.searching`.
"""

from __future__ import annotations

import time
from collections.abc import Sequence

from service.errors import Issue
from service.standard.registry import RESOURCE_TYPES, SEARCHED_TYPES
from service.standard.searching.criteria import Pair, read_criterion
from service.standard.searching.query import Criterion, InCompartment, SearchQuery
from service.standard.searching.refusals import (
    UnknownParameterError,
    not_offered,
    too_much,
    wrong_value,
)
from service.standard.searching.shape import NAMES, Wishes
from service.standard.searching.values import Reading
from service.standard.terminology.for_search import Expander

__all__ = ["SearchQuery", "parse_search"]

MOST_CRITERIA = 60
MOST_VALUES = 5000


def parse_search(
    type_: str | None,
    pairs: Sequence[tuple[str, str]],
    *,
    strict: bool = False,
    compartment: str | None = None,
    base: str = "",
    now: int | None = None,
    expander: Expander | None = None,
) -> SearchQuery:
    """Read the pairs of a search of one type, or of the whole service where `type_` is None.

    `compartment` is the id of the Patient in whose compartment is searched; `base` our base URL
    with a slash at its end, so that absolute references to us are known; `now`, in microseconds
    since 1970, is what `ap` measures from; `expander` tells the codes of value sets, by default
    of what is shipped. Parameters that are not known are left out and told in `ignored`, or
    refused where `strict`. Raises Invalid, NotSupported or TooCostly with the parameter named.
    """
    types, pairs = _types(type_, pairs)
    now = time.time_ns() // 1000 if now is None else now
    reading = Reading(base, now, expander or Expander())
    wishes = Wishes(types)
    criteria: list[Criterion] = [] if compartment is None else [InCompartment(compartment)]
    understood: list[tuple[str, str]] = []
    ignored: list[Issue] = []
    count = sum(value.count(",") for _, value in pairs)
    if type_ is None and types != RESOURCE_TYPES:
        understood.append(("_type", ",".join(types)))
    for name, value in pairs:
        if "\x00" in name or "\x00" in value:
            raise wrong_value(name.replace("\x00", ""), "a NUL character")
        try:
            if not value:
                raise UnknownParameterError("it has no value")
            if name.partition(":")[0] in NAMES:
                wishes.take(name, value)
            else:
                pair = Pair(name, value)
                criteria.append(read_criterion(types, name, pair, reading))
                count += pair.branches["codes"]
            understood.append((name, value))
        except UnknownParameterError as reason:
            ignored.append(ignored_parameter(name, str(reason), strict))
    if len(criteria) > MOST_CRITERIA or count > MOST_VALUES:
        raise too_much(pairs[-1][0], "too many conditions, or values in them all")
    return SearchQuery(types, tuple(criteria), wishes.shape(), tuple(understood), tuple(ignored))


def _types(
    type_: str | None, pairs: Sequence[tuple[str, str]]
) -> tuple[tuple[str, ...], Sequence[tuple[str, str]]]:
    if type_ is not None:
        return (type_,), pairs
    wanted: list[str] = []
    for name, value in pairs:
        if name == "_type":
            wanted += [text for text in value.split(",") if text]
    for text in wanted:
        if text not in RESOURCE_TYPES:
            raise wrong_value("_type", f"there is no type {text[:64]!r} here")
        if text not in SEARCHED_TYPES:
            raise not_offered("_type", f"{text} is searched by itself: {text}?…")
    rest = [pair for pair in pairs if pair[0] != "_type"]
    return (tuple(dict.fromkeys(wanted)) or RESOURCE_TYPES), rest


def ignored_parameter(name: str, reason: str, strict: bool) -> Issue:
    """What is told of a parameter that is not known. Raises NotSupported where `strict`."""
    shown = name[:80]
    if strict:
        raise not_offered(shown, f"{reason}, and handling=strict was asked")
    return Issue(
        "warning",
        "not-supported",
        f"The parameter {shown!r} was ignored: {reason}",
        location=f"http.{shown}",
    )
