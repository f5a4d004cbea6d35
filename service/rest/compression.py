"""Does the client take gzip, and how is what is sent piece by piece put into it?

RFC 9110, section 12.5.3 (Accept-Encoding); RFC 1952.
"""

from __future__ import annotations

import re
import zlib
from collections.abc import Iterator
from functools import lru_cache

_NOT = re.compile(r"q\s*=\s*0(\.0{0,3})?")
_FAST = 1
_GZIP = 31
"""Of zlib: the largest window, in the format of gzip."""


@lru_cache(maxsize=64)
def wants_gzip(accepted: str) -> bool:
    """Whether an Accept-Encoding header has gzip, or anything, with a weight above 0."""
    weights: dict[str, bool] = {}
    for part in accepted.lower().split(","):
        coding, *parameters = (text.strip() for text in part.split(";"))
        refused = any(_NOT.fullmatch(parameter) for parameter in parameters)
        weights.setdefault("gzip" if coding == "x-gzip" else coding, not refused)
    return weights.get("gzip", weights.get("*", False))


def gzipped(pieces: Iterator[bytes]) -> Iterator[bytes]:
    """The pieces as one gzip stream."""
    packing = zlib.compressobj(_FAST, zlib.DEFLATED, _GZIP)
    for piece in pieces:
        packed = packing.compress(piece)
        if packed:
            yield packed
    yield packing.flush()
