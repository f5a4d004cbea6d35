"""What is a search, once it is understood?

A `SearchQuery` is all criteria (each must hold) and how the answer is wanted. Criteria nest: a
chain and `_has` hold the criteria of the resources they lead to, so depth needs no further
kinds. Source: http://hl7.org/fhir/R4/search.html.

The parameters of one criterion are those of each type searched: one in a search of one type,
several of the same kind where several types are searched at once.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from service.errors import Issue
from service.standard.definitions import SearchParameter

Prefix = Literal["eq", "ne", "gt", "lt", "ge", "le", "sa", "eb", "ap"]


@dataclass(frozen=True, slots=True)
class TokenValue:
    """`system` None: any; empty: none. `code` None: any code of the system."""

    system: str | None
    code: str | None


@dataclass(frozen=True, slots=True)
class TextValue:
    """A text to be found, as the client wrote it."""

    text: str


@dataclass(frozen=True, slots=True)
class ReferenceValue:
    """To `type`/`id`, to any type of that id where `type` is None, or to a `url`."""

    type: str | None = None
    id: str | None = None
    url: str | None = None


@dataclass(frozen=True, slots=True)
class UriValue:
    """A URI as a whole; with the modifier `above` or `below` the end of a branch of URLs."""

    uri: str


@dataclass(frozen=True, slots=True)
class DateValue:
    """A closed interval in microseconds since 1970 (UTC); widened already where `ap`."""

    prefix: Prefix
    low: int
    high: int


@dataclass(frozen=True, slots=True)
class Amount:
    """A number as searched: `exact`, and the ends of what it stands for.

    `low` (part of it) and `high` (not part of it) are half a unit of the last digit away; where
    the prefix is `ap` they are a tenth of the number away, both part of it.
    """

    exact: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class QuantityValue:
    """A number or quantity. `system`, `code` None: any; a `code` alone may be the human unit.

    `base` is the same amount in `base_unit`, where UCUM tells how to get there.
    """

    prefix: Prefix
    amount: Amount
    system: str | None = None
    code: str | None = None
    base: Amount | None = None
    base_unit: str = ""


@dataclass(frozen=True, slots=True)
class CompositeValue:
    """One value for each component, to be met by the same element."""

    parts: tuple[Value, ...]


Value = (
    TokenValue | TextValue | ReferenceValue | UriValue | DateValue | QuantityValue | CompositeValue
)


@dataclass(frozen=True, slots=True)
class Condition:
    """Some value of a parameter meets one of `values`; with the modifier `not`, none does."""

    parameters: tuple[SearchParameter, ...]
    values: tuple[Value, ...]
    modifier: str = ""


@dataclass(frozen=True, slots=True)
class Missing:
    """The parameter has no value (`missing`), or has one."""

    parameters: tuple[SearchParameter, ...]
    missing: bool
    twins: tuple[SearchParameter, ...] = ()
    """Where a reference has only an identifier, it counts as a value too."""


@dataclass(frozen=True, slots=True)
class IdIs:
    """The logical id is one of these (`_id`), or none of them."""

    ids: tuple[str, ...]
    negated: bool = False


@dataclass(frozen=True, slots=True)
class UpdatedAt:
    """meta.lastUpdated meets one of these (`_lastUpdated`)."""

    values: tuple[DateValue, ...]


@dataclass(frozen=True, slots=True)
class InCompartment:
    """Lies in the compartment of this Patient."""

    patient: str


@dataclass(frozen=True, slots=True)
class OnList:
    """Is an item of one of these List resources (`_list`); `parameter` is List.item."""

    parameter: SearchParameter
    ids: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Term:
    """Words that follow one another; `begins`: the last is only the beginning of one."""

    words: tuple[str, ...]
    begins: bool = False


@dataclass(frozen=True, slots=True)
class HasWords:
    """All terms of one of the alternatives stand in the narrative (`_text`), or anywhere in the
    resource (`_content`)."""

    alternatives: tuple[tuple[Term, ...], ...]
    everywhere: bool


@dataclass(frozen=True, slots=True)
class Chain:
    """Refers by a parameter to a resource that meets the criterion of its type."""

    parameters: tuple[SearchParameter, ...]
    branches: tuple[tuple[str, Criterion], ...]


@dataclass(frozen=True, slots=True)
class Has:
    """Is referred to, by `parameter`, from a resource that meets `criterion` (`_has`)."""

    types: tuple[str, ...]
    parameter: SearchParameter
    criterion: Criterion


Criterion = Condition | Missing | IdIs | UpdatedAt | InCompartment | OnList | HasWords | Chain | Has


@dataclass(frozen=True, slots=True)
class SortKey:
    """`code` is `_id`, `_lastUpdated`, or that of the parameters."""

    code: str
    descending: bool
    parameters: tuple[SearchParameter, ...] = ()


@dataclass(frozen=True, slots=True)
class Include:
    """References to follow from the matches, or `reverse`: to the matches.

    `targets` empty: any. With `iterate`, also from what was included.
    """

    parameters: tuple[SearchParameter, ...]
    targets: tuple[str, ...] = ()
    reverse: bool = False
    iterate: bool = False


Total = Literal["none", "estimate", "accurate"]
Summary = Literal["true", "text", "data", "count", "false"]


@dataclass(frozen=True, slots=True)
class Shape:
    """How the answer is wanted. None: the client did not say."""

    sort: tuple[SortKey, ...] = ()
    count: int | None = None
    total: Total | None = None
    summary: Summary | None = None
    elements: tuple[str, ...] = ()
    includes: tuple[Include, ...] = ()
    cursor: str | None = None

    @property
    def only_count(self) -> bool:
        """Whether nothing but the total is wanted."""
        return self.summary == "count" or self.count == 0


@dataclass(frozen=True, slots=True)
class SearchQuery:
    """Everything a search asks for.

    `types` empty: all the service holds. `understood` are the pairs that were taken into
    account, for the `self` link; `ignored` says why others were not.
    """

    types: tuple[str, ...]
    criteria: tuple[Criterion, ...]
    shape: Shape = Shape()
    understood: tuple[tuple[str, str], ...] = ()
    ignored: tuple[Issue, ...] = ()

    @property
    def identity(self) -> str:
        """Text that differs where another search, or another order of it, is asked."""
        told = (
            f"{name}={value}"
            for name, value in self.understood
            if name not in ("_count", "_cursor", "_format", "_pretty")
        )
        places = (c.patient for c in self.criteria if isinstance(c, InCompartment))
        return "\n".join((",".join(self.types), ",".join(places), *told))
