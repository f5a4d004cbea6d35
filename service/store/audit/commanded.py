"""How does what the keeper of the service changes by a command get on record?

Who may sign in, which systems get tokens, which keys sign: in the transaction of the change itself.
A command says what it is by a trail; what the service does by itself has another, or none.
"""

from __future__ import annotations

import time

from service.caller import Caller
from service.store.audit.log import append
from service.store.audit.trail import Trail, current_trail, on_trail
from service.store.connection import Connection

INTERACTION = "command"


def commanded(text: str) -> on_trail:
    """What is changed within this block goes on record as this command, which holds no secrets."""
    return on_trail(Trail(INTERACTION, query=f"hyoid {text}", caller=Caller("command line")))


def put_on_record(connection: Connection) -> None:
    """Put the command on record, in the transaction of what it changes."""
    trail = current_trail()
    if trail is not None and trail.interaction == INTERACTION:
        append(connection, [trail.access(time.time_ns() // 1000, 200)])
