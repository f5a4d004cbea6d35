"""Who else rated the same thing? Ratings of two performers, paired.

What counts as a rating and as the same thing: mappings/measures/agreement.json.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, NamedTuple

from service.therapy.course.derivations import NOT_SEEN
from service.therapy.facts import facts
from service.therapy.measures import COMPUTED, MEASURES
from service.therapy.moments import Moment, moment_in
from service.therapy.references import first_coding, key_of, named, target, targets

Resource = dict[str, Any]
Category = float | str


class Rating(NamedTuple):
    """What one performer gave once."""

    reference: str
    coding: Resource
    thing: tuple[object, ...]
    """Measure, body site, and the technique or goal it is about."""
    at: Moment
    session: str | None
    performer: str
    category: Category


class Pair(NamedTuple):
    """Two ratings of the same thing, by performers in the order of their names."""

    first: Rating
    second: Rating


@functools.cache
def rated_measures() -> Mapping[str, str]:
    """Code of a measure that is a rating, and the weights of its kappa."""
    return {
        code: row["weights"] for row in facts("agreement")["ratings"] for code in row["measures"]
    }


def is_rating(resource: Resource) -> bool:
    """Whether an Observation holds a rating that another could have given too."""
    if "performer" not in resource or resource.get("status") in NOT_SEEN:
        return False
    if "valueCodeableConcept" in resource:
        return True
    codings = resource["code"].get("coding", ())
    return any(c.get("system") == MEASURES and c.get("code") in rated_measures() for c in codings)


def read_ratings(observations: Iterable[Resource], base: str = "") -> list[Rating]:
    """The ratings; those without a day, a performer or an answer are left out."""
    found = []
    for resource in observations:
        performers = targets(resource["performer"], base)
        at = moment_in(resource, "effective")
        coding = first_coding(resource["code"], MEASURES)
        category = _category(resource)
        if not performers or at is None or coding is None or category is None:
            continue
        if coding.get("system") == COMPUTED:
            continue
        about = targets([*resource.get("partOf", ()), *resource.get("focus", ())], base)
        thing = (key_of(coding), key_of(first_coding(resource.get("bodySite"))), *sorted(about))
        session = target(resource.get("encounter"), base)
        found.append(Rating(named(resource), coding, thing, at, session, performers[0], category))
    return found


def pairs_of(ratings: Sequence[Rating]) -> list[Pair]:
    """Ratings of the same thing by two performers, each rating in one pair at most."""
    found: list[Pair] = []
    left = list(ratings)
    for same in (_moment, _session):
        pairs = _paired(left, same)
        taken = {rating.reference for pair in pairs for rating in pair}
        left = [rating for rating in left if rating.reference not in taken]
        found += pairs
    return sorted(found, key=lambda pair: (pair.first.at.order, pair.first.reference))


def _moment(rating: Rating) -> object:
    return rating.at.order


def _session(rating: Rating) -> object:
    return rating.session


def _paired(ratings: Sequence[Rating], same: Callable[[Rating], object]) -> list[Pair]:
    groups: dict[tuple[object, ...], dict[str, list[Rating]]] = {}
    for rating in ratings:
        key = same(rating)
        if key is not None:
            group = groups.setdefault((rating.thing, key), {})
            group.setdefault(rating.performer, []).append(rating)
    found = []
    for group in groups.values():
        names = sorted(group)
        if len(names) != 2 or len(group[names[0]]) != len(group[names[1]]):
            # Which belongs to which cannot be told.
            continue
        ordered = (sorted(group[n], key=lambda r: (r.at.order, r.reference)) for n in names)
        found += [Pair(*two) for two in zip(*ordered, strict=True)]
    return found


def _category(resource: Resource) -> Category | None:
    if "valueCodeableConcept" in resource:
        key = key_of(first_coding(resource["valueCodeableConcept"]))
        return None if key is None else key[1]
    number = resource.get("valueQuantity", {}).get("value", resource.get("valueInteger"))
    return None if number is None else float(number)
