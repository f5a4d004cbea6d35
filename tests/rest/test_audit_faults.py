"""What is a client told, and what is on record, where something fails after what it sent was kept?

Whether it was stored is only known by looking (RFC 9110, section 15.6.1 promises nothing of a 500);
so the answer must not say that nothing was stored, and the record must say that it was.
"""

from __future__ import annotations

import logging
import re
import sqlite3
from typing import Any

import pytest

from service.caller import ANONYMOUS
from service.rest import cautions, write
from service.store.store import Store
from service.store.unit import Unit
from tests.access.asking import Asking, asking
from tests.factories.clinical import patient
from tests.factories.minimal import minimal

NUMBER = re.compile(r"The service failed\. Tell its keeper this number: ([0-9a-f]{16})")


def _fail(*_: Any, **__: Any) -> Any:
    raise RuntimeError("a fault")


def _transaction(*resources: dict[str, Any]) -> dict[str, Any]:
    entries = [
        {
            "request": {"method": "PUT", "url": f"{each['resourceType']}/{each['id']}"},
            "resource": each,
        }
        for each in resources
    ]
    return {"resourceType": "Bundle", "type": "transaction", "entry": entries}


def _outcomes(ask: Asking, name: str) -> list[tuple[str, str]]:
    """(interaction, outcome) of what is on record of a client, but for reads."""
    ask.recording.take_in()
    bundle = ask(ANONYMOUS, "GET", f"AuditEvent?patient={name}").json()
    events = [entry["resource"] for entry in bundle.get("entry", ())]
    return [
        (event["subtype"][0]["code"], event["outcome"])
        for event in events
        if event["subtype"][0]["code"] != "read"
    ]


@pytest.mark.parametrize("kept", [True, False])
@pytest.mark.parametrize("as_bundle", [True, False])
def test_a_fault_says_nothing_of_what_was_stored(
    store: Store,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
    kept: bool,
    as_bundle: bool,
) -> None:
    with asking(store) as ask, monkeypatch.context() as broken:
        if not kept:
            broken.setattr(Unit, "close", _fail)
        elif as_bundle:
            broken.setattr("service.rest.bundle.with_outcomes", _fail)
        else:
            broken.setattr(write, "with_warnings", _fail)
        with caplog.at_level(logging.CRITICAL, "hyoid"):
            told = (
                ask(ANONYMOUS, "POST", "", _transaction(patient("p")))
                if as_bundle
                else ask(ANONYMOUS, "PUT", "Patient/p", patient("p"))
            )
        broken.undo()
        assert told.status == 500
        (issue,) = told.json()["issue"]
        assert (issue["severity"], issue["code"]) == ("fatal", "exception")
        assert NUMBER.fullmatch(issue["details"]["text"])
        assert ask(ANONYMOUS, "GET", "Patient/p").status == (200 if kept else 404)
        name = "transaction" if as_bundle else "update"
        if kept:
            assert _outcomes(ask, "p") == [(name, "0")]
        elif not as_bundle:
            assert _outcomes(ask, "p") == [(name, "8")]


def test_what_is_stored_is_not_refused_for_what_is_said_of_it(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The database fails where the warnings of a plan are looked up, after the commit."""

    def unanswered(*_: Any) -> Any:
        raise sqlite3.OperationalError("disk I/O error")

    order = minimal("ServiceRequest", "s") | {"subject": {"reference": "Patient/p"}}
    with asking(store) as ask, monkeypatch.context() as broken:
        broken.setattr(cautions, "current_version", unanswered)
        broken.setattr(cautions, "warnings_about", unanswered)
        wish = {"prefer": "return=OperationOutcome"}
        told = ask(ANONYMOUS, "POST", "", _transaction(patient("p"), order), **wish)
        assert told.status == 200, told.body
        assert ask(ANONYMOUS, "PUT", "ServiceRequest/s", order, **wish).status == 200
        broken.undo()
        assert ask(ANONYMOUS, "GET", "ServiceRequest/s/_history/2").status == 200
