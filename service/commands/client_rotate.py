"""hyoid client rotate: give a system other keys."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Annotated

import typer

from service.commands._options import DatabaseOption, settings_with
from service.commands._systems import (
    Algorithm,
    AlgorithmOption,
    GenerateOption,
    JwksOption,
    NameArgument,
    given_keys,
    tell_client,
)
from service.commands._telling import RefusedError, say
from service.store.systems import SystemClient


def rotate(
    name: NameArgument,
    jwks: JwksOption = None,
    generate_key: GenerateOption = None,
    algorithm: AlgorithmOption = Algorithm.es384,
    keep_old: Annotated[
        bool, typer.Option("--keep-old", help="The present keys go on beside the new ones.")
    ] = False,
    database: DatabaseOption = None,
) -> None:
    """Replace the keys of a system. Its old ones are refused at once, unless --keep-old."""
    from service.commands._opening import opened_store
    from service.store.audit.commanded import commanded
    from service.store.systems import change_client, required_client

    settings = settings_with(database=database)
    with (
        opened_store(settings.database) as store,
        given_keys(jwks, generate_key, algorithm) as (key_set, url),
        commanded(f"client rotate {name}"),
    ):
        client = required_client(store.database, name)
        if keep_old:
            key_set = _with_old(client, key_set)
        client = replace(client, jwks=key_set, jwks_url=url)
        change_client(store.database, client)
    say(f"{name} has new keys" + ("; the old ones still count" if keep_old else ""))
    tell_client(client, settings, generate_key)


def _with_old(client: SystemClient, key_set: str) -> str:
    from service.access.client_keys import required_key_set

    if not client.jwks or not key_set:
        raise RefusedError("--keep-old is for keys that are registered, not for those by URL")
    keys = json.loads(key_set)["keys"] + json.loads(client.jwks)["keys"]
    try:
        return required_key_set(json.dumps({"keys": keys}))
    except ValueError as error:
        raise RefusedError(f"--keep-old: {error}") from None
