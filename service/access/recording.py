"""How is each access put on record, and who brings the records into the audit log?

`Recording.record` is for whatever is not written in a unit of work of the store, which puts itself
on record: reads, refusals, tokens, signing in and out. It is called before the answer is given;
where it raises Unavailable nothing may be answered but that. A thread of the process takes what was
recorded into the log.
"""

from __future__ import annotations

import logging
import threading
from pathlib import Path

from sqlalchemy.engine import make_url

from service.errors import Unavailable
from service.settings import Settings
from service.store.audit.access import Access
from service.store.audit.spool import PART, Spool
from service.store.engine import Database

log = logging.getLogger("hyoid")

_EACH = 0.5
"""Seconds between two looks at what waits."""
_FEW = 64 * 1024
"""Bytes that are taken in at each look. Of more, the more at once the less each costs."""
_LONGEST = 4
"""Looks after which it is taken in at the latest: two seconds."""
_LEFT_EACH = 120
"""Looks after which it is looked for files of processes that are gone: a minute."""


class Recording:
    """The record of the accesses of one process."""

    def __init__(self, database: Database, directory: Path) -> None:
        """Nothing is made in the directory before the first access, or `start`."""
        self._database = database
        self._directory = directory
        self._spool: Spool | None = None
        self._opening = threading.Lock()
        self._ending = threading.Event()
        self._thread: threading.Thread | None = None

    def record(self, access: Access) -> None:
        """Put an access on record. Raises Unavailable where that cannot be done."""
        (self._spool or self._opened()).add(access)

    def start(self) -> None:
        """Take in what earlier processes left, and go on in a thread.

        Raises Unavailable where nothing can be kept in the directory.
        """
        self._opened()
        self._thread = threading.Thread(target=self._go_on, name="audit", daemon=True)
        self._thread.start()

    def take_in(self) -> None:
        """Take what is on record so far into the log."""
        self._opened().take_in(self._database)

    def stop(self) -> None:
        """End the thread and take in what is left; what cannot be taken in stays for the next."""
        self._ending.set()
        if self._thread is not None:
            self._thread.join()
        if self._spool is not None:
            try:
                self._spool.close(self._database)
            except Exception:
                log.exception("Accesses wait in %s for the next start", self._directory)

    def _opened(self) -> Spool:
        with self._opening:
            if self._spool is None:
                try:
                    self._spool = Spool(self._directory)
                except OSError as error:
                    raise Unavailable(
                        "The access cannot be put on record, and so is not answered"
                    ) from error
            return self._spool

    def _go_on(self) -> None:
        spool = self._opened()
        turn = waited = 0
        while True:
            try:
                if turn % _LEFT_EACH == 0:
                    spool.take_in_left(self._database)
                waiting = spool.waiting
                if waiting < _FEW or waiting > PART or waited == _LONGEST:
                    waited = 0
                    self.take_in()
                else:
                    waited += 1
            except Exception:
                # They stay where they are until the database answers again.
                log.exception("Accesses could not be taken into the audit log; tried again")
            turn += 1
            if self._ending.wait(_EACH):
                return


def directory_of(settings: Settings) -> Path:
    """Where accesses wait for the log: as set, else beside the SQLite file."""
    if settings.audit_spool:
        return Path(settings.audit_spool)
    url = make_url(settings.database)
    if url.get_backend_name() == "sqlite" and url.database:
        return Path(f"{url.database}.accesses")
    return Path("hyoid.accesses")
