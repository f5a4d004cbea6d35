"""Which forms does the service bring along? mappings/questionnaires, one file an instrument."""

from __future__ import annotations

import functools
from collections.abc import Mapping

from service.data import mappings
from service.standard.codec import decode_resource
from service.standard.questionnaires.form import Json


@functools.cache
def built_in() -> Mapping[str, Json]:
    """The forms by url."""
    paths = sorted(mappings("questionnaires").glob("*.json"))
    return {form["url"]: form for form in (decode_resource(p.read_bytes()) for p in paths)}


def find(canonical: str) -> Json | None:
    """The form that a canonical (`url` or `url|version`) means."""
    url, _, version = canonical.partition("|")
    form = built_in().get(url)
    return form if form is not None and version in ("", form["version"]) else None
