"""hyoid reindex: rebuild the search index from the stored resources."""

from __future__ import annotations

import time

from service.commands._options import DatabaseOption, base_of, settings_with
from service.commands._telling import counted, say


def reindex(database: DatabaseOption = None) -> None:
    """Rebuild the search index from the stored resources.

    Safe while the service runs and to interrupt: it goes on in small units, each whole.
    """
    from service.commands._opening import OPERATOR, opened_store
    from service.commands._progress import metered
    from service.store.reindex import reindexed
    from service.store.walk import size

    settings = settings_with(database=database)
    start = time.monotonic()
    count = 0
    with opened_store(settings.database) as store:
        with store.reader() as connection:
            total = size(connection)
        with metered("Indexing", total, "resources") as meter:
            for done in reindexed(store, OPERATOR, base_of(settings)):
                count += done
                meter.advance(done, done)
    seconds = max(time.monotonic() - start, 1e-3)
    say(f"Indexed {counted(count, 'resource')} in {seconds:,.1f} s ({count / seconds:,.0f}/s)")
