"""What does a modifier make of a parameter? One function for each, in one table by kind.

R4 search page, #modifiers. A reference parameter also takes a type as modifier.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from functools import partial

from service.errors import Gone, Invalid, NotFound, TooCostly
from service.standard.definitions import SearchParameter, definitions
from service.standard.searching.escapes import unescape
from service.standard.searching.query import Condition, Criterion, Missing, TokenValue
from service.standard.searching.references import typed_reference
from service.standard.searching.refusals import not_offered, not_worked_out, wrong_value
from service.standard.searching.values import (
    Reading,
    read_value,
    text_value,
    token_value,
    typed_identifier,
)

_MOST_STEPS = 40

Parameters = tuple[SearchParameter, ...]


def modified_condition(
    parameters: Parameters, modifier: str, name: str, texts: Sequence[str], reading: Reading
) -> Criterion:
    """The criterion of `code:modifier`. Raises NotSupported where the kind has none of it."""
    kind = parameters[0].kind
    maker = _BY_KIND.get((kind, modifier))
    if maker is None and modifier == "missing" and kind != "composite":
        maker = _missing
    if maker is not None:
        return maker(parameters, modifier, name, texts, reading)
    if kind == "reference" and any(modifier in p.targets for p in parameters):
        base = reading.base
        values = tuple(typed_reference(name, text, base, modifier) for text in texts)
        return Condition(parameters, values)
    raise not_offered(name, f"the modifier {modifier[:64]!r} is not offered for a {kind}")


def _missing(
    parameters: Parameters, modifier: str, name: str, texts: Sequence[str], reading: Reading
) -> Criterion:
    if list(texts) not in (["true"], ["false"]):
        raise wrong_value(name, "true or false is expected")
    twins = _twins(parameters, "identifier") if parameters[0].kind == "reference" else ()
    return Missing(parameters, texts[0] == "true", twins)


def _plain(
    parameters: Parameters, modifier: str, name: str, texts: Sequence[str], reading: Reading
) -> Criterion:
    kind = parameters[0].kind
    values = tuple(read_value(name, kind, text, reading) for text in texts)
    return Condition(parameters, values, modifier)


def _text(
    parameters: Parameters, modifier: str, name: str, texts: Sequence[str], reading: Reading
) -> Criterion:
    return Condition(parameters, tuple(text_value(name, text) for text in texts), modifier)


def _identifier(
    parameters: Parameters, modifier: str, name: str, texts: Sequence[str], reading: Reading
) -> Criterion:
    return Condition(_twins(parameters, modifier), tuple(token_value(name, text) for text in texts))


def _of_type(
    parameters: Parameters, modifier: str, name: str, texts: Sequence[str], reading: Reading
) -> Criterion:
    twins = _twins(parameters, modifier)
    if len(twins) < len(parameters):
        raise not_offered(name, "of-type is for identifiers")
    return Condition(twins, tuple(typed_identifier(name, text) for text in texts))


def _branch(
    parameters: Parameters, modifier: str, name: str, texts: Sequence[str], reading: Reading
) -> Criterion:
    for text in texts:
        if not text.startswith(("http://", "https://")):
            raise wrong_value(name, f"{text[:80]!r} is no URL, and only these have branches")
        if text.count("/") > _MOST_STEPS:
            raise wrong_value(name, f"more than {_MOST_STEPS} steps in a URL")
    return _plain(parameters, modifier, name, texts, reading)


def _members(
    parameters: Parameters, modifier: str, name: str, texts: Sequence[str], reading: Reading
) -> Criterion:
    """`:in` and `:not-in` a value set. One without codes is met by nothing."""
    expander, base = reading.expander, reading.base
    asks = [partial(expander.members, unescape(text), base) for text in texts]
    return Condition(parameters, _codes(name, asks), "not" if modifier == "not-in" else "")


def _family(
    parameters: Parameters, modifier: str, name: str, texts: Sequence[str], reading: Reading
) -> Criterion:
    """`:below` a code, what it subsumes; `:above` it, what subsumes it."""
    ask = reading.expander.below if modifier == "below" else reading.expander.above
    asks = []
    for text in texts:
        value = token_value(name, text)
        if not value.system or value.code is None:
            raise wrong_value(name, f"{text[:80]!r} is not system|code")
        asks.append(partial(ask, value.system, value.code))
    return Condition(parameters, _codes(name, asks))


def _codes(
    name: str, asks: Iterable[Callable[[], list[tuple[str, str]]]]
) -> tuple[TokenValue, ...]:
    try:
        codes = dict.fromkeys(code for ask in asks for code in ask())
    except (NotFound, Gone, Invalid, TooCostly) as reason:
        raise not_worked_out(name, reason) from None
    return tuple(TokenValue(system, code) for system, code in codes)


def _twins(parameters: Parameters, name: str) -> Parameters:
    known = definitions()
    twins = (known.search_parameter(p.type, f"{p.code}:{name}") for p in parameters)
    return tuple(twin for twin in twins if twin is not None)


_Maker = Callable[[Parameters, str, str, Sequence[str], Reading], Criterion]
_BY_KIND: dict[tuple[str, str], _Maker] = {
    ("string", "exact"): _plain,
    ("string", "contains"): _plain,
    ("token", "not"): _plain,
    ("token", "text"): _text,
    ("token", "of-type"): _of_type,
    ("token", "in"): _members,
    ("token", "not-in"): _members,
    ("token", "above"): _family,
    ("token", "below"): _family,
    ("reference", "identifier"): _identifier,
    ("uri", "above"): _branch,
    ("uri", "below"): _branch,
}
