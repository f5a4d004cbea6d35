"""hyoid client add: register a system that may ask for access tokens."""

from __future__ import annotations

from service.commands._options import DatabaseOption, settings_with
from service.commands._systems import (
    Algorithm,
    AlgorithmOption,
    GenerateOption,
    JwksOption,
    NameArgument,
    ReferenceOption,
    ScopeOption,
    TiedOption,
    given_keys,
    microseconds,
    required_name,
    required_reference,
    required_scopes,
    required_ties,
    tell_client,
)
from service.commands._telling import say


def add(
    name: NameArgument,
    scope: ScopeOption = None,
    jwks: JwksOption = None,
    generate_key: GenerateOption = None,
    algorithm: AlgorithmOption = Algorithm.es384,
    tied: TiedOption = None,
    reference: ReferenceOption = None,
    database: DatabaseOption = None,
) -> None:
    """Register a system (SMART Backend Services): its keys, what it may do, whose clients."""
    from service.commands._opening import opened_store
    from service.store.audit.commanded import commanded
    from service.store.systems import SystemClient, add_client

    settings = settings_with(database=database)
    required_name(name)
    scopes, ties = required_scopes(scope), required_ties(tied)
    acts_as = required_reference(reference)
    with (
        opened_store(settings.database, create=True) as store,
        given_keys(jwks, generate_key, algorithm) as (key_set, url),
        commanded(f"client add {name}"),
    ):
        client = SystemClient(name, scopes, ties, acts_as, key_set, url, microseconds())
        add_client(store.database, client)
    say(f"Registered {name}")
    tell_client(client, settings, generate_key)
