"""Which functions of FHIRPath can the rules use? (FHIRPath N1, section Functions)

Each is a small function of the same signature, bound to its name in one of two tables: those
that answer true or false, and those that answer a collection.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from service.standard.validation.fhirpath import json_values
from service.standard.validation.fhirpath.patterns import pattern
from service.standard.validation.fhirpath.tree import (
    THIS,
    Call,
    Literal,
    Member,
    NotReadableError,
)

if TYPE_CHECKING:
    from service.standard.validation.fhirpath.compiler import (
        Compiler,
        Scope,
        Shapes,
        Truth,
        Values,
    )

_PRIMITIVES: dict[str, type] = {"boolean": bool, "string": str, "integer": int}


def negated(test: bool | None) -> bool | None:
    return None if test is None else not test


def _exists(compiler: Compiler, call: Call, shapes: Shapes) -> Truth:
    if call.arguments:
        call = Call(Call(call.base, "where", call.arguments), "exists", ())
    base = call.base
    if isinstance(base, Member) and base.base == THIS and base.name != compiler.root:
        pairs, _ = compiler.keys(shapes, base.name)
        names = frozenset(name for pair in pairs for name in pair)
        return lambda this, scope: type(this) is dict and not names.isdisjoint(this)
    values, _ = compiler.values(base, shapes)
    return lambda this, scope: bool(values(this, scope))


def _empty(compiler: Compiler, call: Call, shapes: Shapes) -> Truth:
    exists = _exists(compiler, Call(call.base, "exists", ()), shapes)
    return lambda this, scope: not exists(this, scope)


def _not(compiler: Compiler, call: Call, shapes: Shapes) -> Truth:
    inner = compiler.truth(call.base, shapes)
    return lambda this, scope: negated(inner(this, scope))


def _all(compiler: Compiler, call: Call, shapes: Shapes) -> Truth:
    base, inner = compiler.values(call.base, shapes)
    test = compiler.truth(call.arguments[0], inner)
    return lambda this, scope: all(test(item, scope) for item in base(this, scope))


def _is_distinct(compiler: Compiler, call: Call, shapes: Shapes) -> Truth:
    base, _ = compiler.values(call.base, shapes)
    looked = compiler.compared(base)
    return lambda this, scope: json_values.is_distinct(looked(this, scope))


def _has_value(compiler: Compiler, call: Call, shapes: Shapes) -> Truth:
    base, _ = compiler.values(call.base, shapes)

    def test(this: Any, scope: Scope) -> bool:
        found = base(this, scope)
        return len(found) == 1 and not isinstance(found[0], dict)

    return test


def _matches(compiler: Compiler, call: Call, shapes: Shapes) -> Truth:
    wanted = pattern(_text(call, 0))
    return _text_test(compiler, call, shapes, lambda text, scope: wanted.is_in(text, scope.budget))


def _contains(compiler: Compiler, call: Call, shapes: Shapes) -> Truth:
    part = _text(call, 0)
    return _text_test(compiler, call, shapes, lambda text, scope: part in text)


def _text_test(
    compiler: Compiler, call: Call, shapes: Shapes, holds: Callable[[str, Scope], bool]
) -> Truth:
    base, _ = compiler.values(call.base, shapes)

    def test(this: Any, scope: Scope) -> bool | None:
        found = base(this, scope)
        return holds(found[0], scope) if len(found) == 1 and isinstance(found[0], str) else None

    return test


def _starts_with(compiler: Compiler, call: Call, shapes: Shapes) -> Truth:
    base, _ = compiler.values(call.base, shapes)
    start, _ = compiler.values(call.arguments[0], shapes)

    def test(this: Any, scope: Scope) -> bool | None:
        texts = base(this, scope) + start(this, scope)
        if len(texts) != 2 or not all(isinstance(text, str) for text in texts):
            return None
        return bool(texts[0].startswith(texts[1]))

    return test


def _is(compiler: Compiler, call: Call, shapes: Shapes) -> Truth:
    """Whether the one item is of this type of resource, or this JSON primitive."""
    kind = call.arguments[0]
    if not isinstance(kind, Member):
        raise NotReadableError("is() needs the name of a type")
    base, _ = compiler.values(call.base, shapes)
    primitive = _PRIMITIVES.get(kind.name.lower())

    def test(this: Any, scope: Scope) -> bool | None:
        found = base(this, scope)
        if len(found) != 1:
            return None
        if primitive is not None:
            return type(found[0]) is primitive
        return isinstance(found[0], dict) and found[0].get("resourceType") == kind.name

    return test


def _where(compiler: Compiler, call: Call, shapes: Shapes) -> tuple[Values, Shapes]:
    base, inner = compiler.values(call.base, shapes)
    test = compiler.truth(call.arguments[0], inner)
    return (lambda this, scope: [item for item in base(this, scope) if test(item, scope)]), inner


def _select(compiler: Compiler, call: Call, shapes: Shapes) -> tuple[Values, Shapes]:
    base, inner = compiler.values(call.base, shapes)
    each, found = compiler.values(call.arguments[0], inner)
    return compiler.each(base, each), found


def _first(compiler: Compiler, call: Call, shapes: Shapes) -> tuple[Values, Shapes]:
    base, inner = compiler.values(call.base, shapes)
    return (lambda this, scope: base(this, scope)[:1]), inner


def _tail(compiler: Compiler, call: Call, shapes: Shapes) -> tuple[Values, Shapes]:
    base, inner = compiler.values(call.base, shapes)
    return (lambda this, scope: base(this, scope)[1:]), inner


def _trace(compiler: Compiler, call: Call, shapes: Shapes) -> tuple[Values, Shapes]:
    """Writes nothing: what is traced may be a client's data."""
    return compiler.values(call.base, shapes)


def _count(compiler: Compiler, call: Call, shapes: Shapes) -> tuple[Values, Shapes]:
    base, _ = compiler.values(call.base, shapes)
    return (lambda this, scope: [len(base(this, scope))]), frozenset()


def _combine(compiler: Compiler, call: Call, shapes: Shapes) -> tuple[Values, Shapes]:
    left, _ = compiler.values(call.base, shapes)
    right, _ = compiler.values(call.arguments[0], shapes)
    return (lambda this, scope: [*left(this, scope), *right(this, scope)]), None


def _intersect(compiler: Compiler, call: Call, shapes: Shapes) -> tuple[Values, Shapes]:
    left, inner = compiler.values(call.base, shapes)
    right, _ = compiler.values(call.arguments[0], shapes)
    left, right = compiler.compared(left), compiler.compared(right)

    def common(this: Any, scope: Scope) -> list[Any]:
        items, others = left(this, scope), right(this, scope)
        if not items or not others:
            return []
        if id(others) not in scope.known:
            scope.known[id(others)] = others, {json_values.frozen(other) for other in others}
        keys = scope.known[id(others)][1]
        return [item for item in items if json_values.frozen(item) in keys]

    return common, inner


def _descendants(compiler: Compiler, call: Call, shapes: Shapes) -> tuple[Values, Shapes]:
    base, _ = compiler.values(call.base, shapes)
    return compiler.each(base, lambda item, scope: json_values.descendants(item)), None


def _children(compiler: Compiler, call: Call, shapes: Shapes) -> tuple[Values, Shapes]:
    base, _ = compiler.values(call.base, shapes)
    return compiler.each(base, lambda item, scope: json_values.children(item)), None


def _iif(compiler: Compiler, call: Call, shapes: Shapes) -> tuple[Values, Shapes]:
    condition, then, *otherwise = call.arguments
    test = compiler.truth(condition, shapes)
    first, _ = compiler.values(then, shapes)
    second, _ = compiler.values(otherwise[0] if otherwise else Literal(None), shapes)
    return (lambda this, scope: (first if test(this, scope) else second)(this, scope)), None


def _to_integer(compiler: Compiler, call: Call, shapes: Shapes) -> tuple[Values, Shapes]:
    base, _ = compiler.values(call.base, shapes)

    def numbers(this: Any, scope: Scope) -> list[Any]:
        texts = [str(value) for value in base(this, scope) if not isinstance(value, dict)]
        return [int(text) for text in texts if re.fullmatch("[+-]?[0-9]{1,18}", text)]

    return numbers, frozenset()


def _to_string(compiler: Compiler, call: Call, shapes: Shapes) -> tuple[Values, Shapes]:
    base, _ = compiler.values(call.base, shapes)
    return (
        lambda this, scope: [
            getattr(v, "literal", str(v)) for v in base(this, scope) if not isinstance(v, dict)
        ]
    ), frozenset()


def _replace_matches(compiler: Compiler, call: Call, shapes: Shapes) -> tuple[Values, Shapes]:
    base, _ = compiler.values(call.base, shapes)
    old = pattern(_text(call, 0))
    new = old.replacement(_text(call, 1))
    return (
        lambda this, scope: [
            old.replaced(text, new, scope.budget)
            for text in base(this, scope)
            if isinstance(text, str)
        ]
    ), frozenset()


def _text(call: Call, place: int) -> str:
    argument = call.arguments[place] if len(call.arguments) > place else None
    if not isinstance(argument, Literal) or not isinstance(argument.value, str):
        raise NotReadableError(f"{call.name}() needs a text")
    return argument.value


def check_arguments(call: Call) -> None:
    """Raise NotReadableError where a function is given too many arguments or too few."""
    least, most = _ARGUMENTS.get(call.name, (0, 0))
    if call.name in TESTS | COLLECTIONS and not least <= len(call.arguments) <= most:
        raise NotReadableError(f"{call.name}() does not take {len(call.arguments)} arguments")


_ARGUMENTS = {
    **dict.fromkeys(("exists",), (0, 1)),
    **dict.fromkeys(("all", "matches", "contains", "startsWith", "is"), (1, 1)),
    **dict.fromkeys(("where", "select", "combine", "intersect"), (1, 1)),
    "iif": (2, 3),
    "trace": (1, 2),
    "replaceMatches": (2, 2),
}
"""Fewest and most; the others take none."""
TESTS: dict[str, Callable[[Compiler, Call, Shapes], Truth]] = {
    "exists": _exists,
    "empty": _empty,
    "not": _not,
    "all": _all,
    "isDistinct": _is_distinct,
    "hasValue": _has_value,
    "matches": _matches,
    "contains": _contains,
    "startsWith": _starts_with,
    "is": _is,
}
COLLECTIONS: dict[str, Callable[[Compiler, Call, Shapes], tuple[Values, Shapes]]] = {
    "where": _where,
    "select": _select,
    "first": _first,
    "tail": _tail,
    "trace": _trace,
    "count": _count,
    "combine": _combine,
    "intersect": _intersect,
    "descendants": _descendants,
    "children": _children,
    "iif": _iif,
    "toInteger": _to_integer,
    "toString": _to_string,
    "replaceMatches": _replace_matches,
}
