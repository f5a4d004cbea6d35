"""Where do norms, limits and conventions come from? Data files in mappings/measures, read once."""

from __future__ import annotations

import functools
from collections.abc import Mapping
from typing import Any, NamedTuple

import orjson

from service.data import mappings


class Estimate(NamedTuple):
    """A number with the ends of its interval; an end that cannot be told is None."""

    value: float
    low: float | None = None
    high: float | None = None


@functools.cache
def facts(name: str) -> Mapping[str, Any]:
    """The data file of this name."""
    found: Mapping[str, Any] = orjson.loads(mappings("measures", f"{name}.json").read_bytes())
    return found


def band_of(value: float, bands: list[dict[str, Any]]) -> str | None:
    """The name of the band a value lies in: `from` included, `below` not."""
    for row in bands:
        if row["from"] <= value and (row["below"] is None or value < row["below"]):
            return str(row["band"])
    return None
