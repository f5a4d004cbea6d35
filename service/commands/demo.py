"""hyoid demo: serve an invented clinic from a throw-away store, to look at and to play with."""

from __future__ import annotations

import contextlib
import signal
import sys
import tempfile
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from service.commands._options import DEFAULTS
from service.commands._telling import RefusedError, counted, say
from service.commands.serve import PortOption
from service.settings import Settings

if TYPE_CHECKING:
    import uvicorn


def demo(port: PortOption = None) -> None:
    """Load an invented clinic into a throw-away store and serve it on 127.0.0.1."""
    from service.commands._listening import listening, one_process, url_of
    from service.commands._opening import bring_up_to_date

    port = DEFAULTS.port if port is None else port
    with tempfile.TemporaryDirectory(prefix="hyoid-demo-") as folder, _stopping_in_order():
        database = f"sqlite:///{Path(folder, 'demo.sqlite3')}"
        settings = Settings(database=database, access="open", port=port)
        with listening(settings) as listener:
            bring_up_to_date(database)
            server = one_process(settings)
            filling = _Filling(server, url_of(listener, settings.host))
            filling.start()
            with contextlib.suppress(KeyboardInterrupt):
                server.run(sockets=[listener])
            filling.join()
    if filling.failure is not None:
        raise RefusedError(f"The demo clinic could not be loaded: {filling.failure}")


class _Filling(threading.Thread):
    """Sends the clinic to the service over HTTP while that runs in the main thread."""

    def __init__(self, server: uvicorn.Server, url: str) -> None:
        super().__init__(daemon=True)
        self._server = server
        self._url = url
        self.failure: str | None = None

    def run(self) -> None:
        try:
            _tell_what_to_open(self._url, self._send_all())
        except BrokenPipeError:
            return  # Nobody reads what is told; the service is there all the same.
        except Exception as error:
            if not self._server.should_exit:
                self.failure = str(error) or type(error).__name__
                self._server.should_exit = True

    def _send_all(self) -> str:
        """Send the clinic; the id of its first client."""
        import httpx

        from service.commands._progress import metered
        from service.standard.codec import encode

        clinic = clinic_bundles()
        sent = 0
        headers = {"Content-Type": "application/fhir+json"}
        with (
            httpx.Client(base_url=self._url, headers=headers, timeout=60, trust_env=False) as http,
            metered("Loading the demo clinic", len(clinic), "resources") as meter,
        ):
            for bundle in clinic:
                answer = http.post("/fhir", content=encode(bundle))
                if answer.status_code != 200:
                    raise RefusedError(f"{answer.status_code} {answer.text[:2000]}")
                entries = len(bundle["entry"])
                sent += entries
                meter.advance(1, entries)
        say(f"Loaded the demo clinic: {counted(sent, 'resource')} in {len(clinic)} transactions")
        return _first_client(clinic)


def clinic_bundles() -> list[dict[str, Any]]:
    """The transaction Bundles of the invented clinic, from `examples/clinic`.

    That package lies outside `service` and is loaded by its path.
    """
    import importlib.util

    from service.data import examples

    name, folder = "hyoid_demo_clinic", examples("clinic")
    spec = importlib.util.spec_from_file_location(
        name, folder / "__init__.py", submodule_search_locations=[str(folder)]
    )
    if spec is None or spec.loader is None:
        raise RefusedError(f"The demo clinic is missing: {folder}")
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return list(module.bundles())


def _first_client(clinic: list[dict[str, Any]]) -> str:
    ids = (
        entry["resource"]["id"]
        for bundle in clinic
        for entry in bundle["entry"]
        if entry["resource"]["resourceType"] == "Patient"
    )
    return str(next(ids))


def _tell_what_to_open(url: str, client_id: str) -> None:
    say("")
    for path, what in (
        ("/", "where to go from here"),
        ("/docs", "the interface, described"),
        ("/fhir/metadata", "what the FHIR service offers"),
        ("/fhir/Patient", "the clients"),
        (f"/fhir/Patient/{client_id}/$everything", "one client's whole record"),
        (f"/fhir/CarePlan?patient={client_id}", "that client's plans of care"),
    ):
        say(f"  {url}{path:<44} {what}")
    say("")
    say("All people in it are invented. Ctrl-C stops the service and throws everything away.")


@contextlib.contextmanager
def _stopping_in_order() -> Iterator[None]:
    """Let SIGTERM and SIGHUP end the command by an exception, so that the folder is removed.

    Uvicorn stops on SIGTERM itself and then raises it once more for whoever waits here.
    """

    def leave(number: int, _frame: object) -> None:
        raise SystemExit(128 + number)

    def hang_up(_number: int, _frame: object) -> None:
        signal.raise_signal(signal.SIGTERM)

    before = signal.signal(signal.SIGTERM, leave)
    if hasattr(signal, "SIGHUP"):
        signal.signal(signal.SIGHUP, hang_up)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)
