"""How does the restriction of a scope (`?category=…`) become SQL? By the store's own search."""

from __future__ import annotations

from itertools import count

from service.caller import ANONYMOUS
from service.standard.grants import Restriction
from service.store.caseload import FENCE, Condition


def meets_any(kind: str, alternatives: tuple[Restriction, ...], rid: str) -> Condition:
    """That the resource `rid` of this type meets all criteria of one of the alternatives.

    The text holds no hint for one engine only, since it is put into statements of any kind.
    """
    # The search asks `visibility`, which asks this.
    from service.store.searching.compiled import Scope
    from service.store.searching.search import compile_criterion
    from service.store.sql import all_of, any_of

    class Plain(Scope):
        """Compiles without hints."""

        def by(self, table: str, alias: str, index: str) -> str:
            return f"{table} {alias}"

        def exists(self, select: str) -> str:
            return f"EXISTS (SELECT 1 {select}{FENCE})"

    # Aliases of their own, not those of the statement around.
    scope = Plain(ANONYMOUS, "postgresql", (kind,), count(1_000_000))
    ways = [
        all_of(compile_criterion(criterion, scope).probe(rid) for criterion in restriction)
        for restriction in alternatives
    ]
    text, params = any_of(ways)
    return f"({text})", params
