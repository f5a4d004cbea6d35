"""What does one pair of a query string ask of a resource?

Reads the name (`code`, `code:modifier`, `code:Type.rest`, `code.rest`,
`_has:Type:code:rest`) and its values into a criterion. R4 search page: #modifiers, #chaining,
#has, #combining.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial

from service.standard.definitions import SearchParameter, definitions
from service.standard.registry import SEARCHED_TYPES
from service.standard.searching.escapes import split, unescape
from service.standard.searching.full_text import read_terms
from service.standard.searching.modifiers import modified_condition
from service.standard.searching.query import (
    Chain,
    Condition,
    Criterion,
    Has,
    HasWords,
    IdIs,
    OnList,
    UpdatedAt,
)
from service.standard.searching.refusals import (
    UnknownParameterError,
    not_offered,
    too_much,
    wrong_value,
)
from service.standard.searching.values import Reading, composite_value, date_value, read_value

DEEPEST = 12
"""Links of a chain, `_has` included: one counts two, by a canonical URL three."""
MOST_BRANCHES = 200
"""Types that a chain without types may lead to, over all its links."""
MOST_VALUES = 1000
"""Values of one parameter divided by commas, all branches of a chain together thrice that."""

_ID = re.compile(r"[A-Za-z0-9\-.]{1,64}")


@dataclass(frozen=True, slots=True)
class Pair:
    """A pair as the client wrote it; refusals name the whole of it also deep in a chain."""

    name: str
    value: str
    branches: Counter[str] = field(default_factory=Counter, compare=False)

    def branch(self) -> None:
        """Count one more branch of a chain. Raises TooCostly where there are too many."""
        self.branches["all"] += 1
        if self.branches["all"] > MOST_BRANCHES:
            raise too_much(
                self.name, "it leads to too many types; name them, as in subject:Patient"
            )

    def alternatives(self) -> list[str]:
        """The values divided by commas, with their other escapes."""
        found = split(self.value, ",")
        if len(found) > MOST_VALUES:
            raise too_much(self.name, f"more than {MOST_VALUES} values")
        if not all(found):
            raise wrong_value(self.name, "a value between commas is empty")
        self._count(len(found))
        return found

    def expanded(self, texts: int, values: int) -> None:
        """Count the codes that stand for the texts. Raises TooCostly."""
        if values > MOST_VALUES:
            raise too_much(self.name, f"it stands for more than {MOST_VALUES} codes")
        more = max(values - texts, 0)
        self.branches["codes"] += more
        self._count(more)

    def _count(self, values: int) -> None:
        self.branches["values"] += values
        if self.branches["values"] > 3 * MOST_VALUES:
            raise too_much(self.name, "too many values for so many types")


def read_criterion(
    types: tuple[str, ...], name: str, pair: Pair, reading: Reading, depth: int = 0
) -> Criterion:
    """The criterion that `name`, the whole or the rest of the pair's name, puts on these types.

    Raises UnknownParameterError, or a refusal where the parameter is known and the rest wrong.
    """
    if depth > DEEPEST:
        raise too_much(pair.name, "too many links in a chain")
    if name.startswith("_has:"):
        return _has(types, name, pair, reading, depth)
    head, dot, rest = name.partition(".")
    code, _, modifier = head.partition(":")
    if dot:
        return _chain(types, code, modifier, rest, pair, reading, depth)
    special = _SPECIAL.get(code)
    if special is not None:
        return special(types, modifier, pair, reading)
    parameters = _parameters(types, code)
    if modifier:
        texts = pair.alternatives()
        found = modified_condition(parameters, modifier, pair.name, texts, reading)
        if isinstance(found, Condition):
            pair.expanded(len(texts), len(found.values))
        return found
    return _condition(parameters, pair, reading)


def _parameters(types: tuple[str, ...], code: str) -> tuple[SearchParameter, ...]:
    known = definitions()
    found = []
    for type_ in types:
        parameter = known.search_parameter(type_, code) if ":" not in code else None
        if parameter is None or parameter.kind == "special":
            raise UnknownParameterError(f"{type_} has no search parameter {code[:64]!r} here")
        found.append(parameter)
    if len({parameter.kind for parameter in found}) > 1:
        raise UnknownParameterError(f"{code!r} is not of one kind in the types searched")
    return tuple(found)


def _condition(parameters: tuple[SearchParameter, ...], pair: Pair, reading: Reading) -> Condition:
    first = parameters[0]
    kinds = tuple(component.kind for component in first.components)
    return Condition(
        parameters,
        tuple(
            composite_value(pair.name, kinds, text, reading)
            if kinds
            else read_value(pair.name, first.kind, text, reading)
            for text in pair.alternatives()
        ),
    )


def _chain(
    types: tuple[str, ...],
    code: str,
    type_: str,
    rest: str,
    pair: Pair,
    reading: Reading,
    depth: int,
) -> Chain:
    parameters = _references(types, code)
    targets = sorted({target for parameter in parameters for target in parameter.targets})
    if type_:
        if type_ not in targets:
            raise not_offered(pair.name, f"{code} does not refer to {type_[:64]!r}")
        targets = [type_]
    branches = []
    reasons = []
    for target in targets:
        if target not in SEARCHED_TYPES:
            continue
        pair.branch()
        below = depth + _weight((target,))
        try:
            branches.append((target, read_criterion((target,), rest, pair, reading, below)))
        except UnknownParameterError as reason:
            reasons.append(str(reason))
    if not branches:
        raise UnknownParameterError("; ".join(reasons) or f"{code} leads to no type searched so")
    return Chain(parameters, tuple(branches))


def _has(types: tuple[str, ...], name: str, pair: Pair, reading: Reading, depth: int) -> Has:
    parts = name.split(":", 3)
    if len(parts) != 4 or not all(parts):
        raise wrong_value(pair.name, "not of the form _has:[type]:[reference]:[parameter]")
    _, source, code, rest = parts
    if source not in SEARCHED_TYPES:
        raise UnknownParameterError(f"there is no type {source[:64]!r} that is searched so")
    (parameter,) = _references((source,), code)
    if not set(parameter.targets) & set(types):
        raise not_offered(pair.name, f"{source}.{code} does not refer to {' or '.join(types)}")
    below = depth + _weight(types)
    return Has(types, parameter, read_criterion((source,), rest, pair, reading, below))


def _weight(types: tuple[str, ...]) -> int:
    """How much a link to these types adds to the depth."""
    known = definitions()
    return 3 if any(known.search_parameter(type_, "url") for type_ in types) else 2


def _references(types: tuple[str, ...], code: str) -> tuple[SearchParameter, ...]:
    parameters = _parameters(types, code)
    if parameters[0].kind != "reference":
        raise UnknownParameterError(f"{code!r} is no reference and leads nowhere")
    return parameters


def _id(types: tuple[str, ...], modifier: str, pair: Pair, reading: Reading) -> IdIs:
    if modifier not in ("", "not"):
        raise not_offered(pair.name, f"_id has no modifier {modifier[:64]!r}")
    return IdIs(_ids(pair), negated=modifier == "not")


def _updated(types: tuple[str, ...], modifier: str, pair: Pair, reading: Reading) -> UpdatedAt:
    if modifier:
        raise not_offered(pair.name, f"_lastUpdated has no modifier {modifier[:64]!r}")
    return UpdatedAt(tuple(date_value(pair.name, text, reading) for text in pair.alternatives()))


def _list(types: tuple[str, ...], modifier: str, pair: Pair, reading: Reading) -> OnList:
    if modifier:
        raise not_offered(pair.name, f"_list has no modifier {modifier[:64]!r}")
    item = definitions().search_parameter("List", "item")
    assert item is not None
    return OnList(item, _ids(pair))


def _words(
    types: tuple[str, ...], modifier: str, pair: Pair, reading: Reading, code: str
) -> HasWords:
    if modifier:
        raise not_offered(pair.name, f"{code} has no modifier {modifier[:64]!r}")
    if code == "_text" and not any("text" in definitions().elements(type_) for type_ in types):
        raise UnknownParameterError(f"{' and '.join(types)} has no narrative")
    return HasWords(read_terms(pair.name, pair.alternatives()), everywhere=code == "_content")


def _ids(pair: Pair) -> tuple[str, ...]:
    ids = tuple(unescape(text) for text in pair.alternatives())
    for text in ids:
        if not _ID.fullmatch(text):
            raise wrong_value(pair.name, f"{text[:80]!r} is not an id")
    return ids


_Special = Callable[[tuple[str, ...], str, Pair, Reading], Criterion]
_SPECIAL: dict[str, _Special] = {
    "_id": _id,
    "_lastUpdated": _updated,
    "_list": _list,
    "_text": partial(_words, code="_text"),
    "_content": partial(_words, code="_content"),
}
