"""Who sees some clients only is told of accesses to these alone.

SMART App Launch 2.2: `r` and `s` of AuditEvent; OWASP API Security 2023, API1 and API5.
"""

from __future__ import annotations

from service.caller import ANONYMOUS, Caller
from service.store.store import Store
from tests.access.asking import asking
from tests.factories.clinical import observation, patient

ALL = frozenset({"system/*.cruds"})


def test_events_are_shown_to_whose_clients_they_are_about(store: Store) -> None:
    with asking(store) as ask:
        for key in ("a", "b"):
            ask(ANONYMOUS, "PUT", f"Patient/{key}", patient(key))
            one = observation(f"o-{key}", patient=f"Patient/{key}")
            ask(ANONYMOUS, "PUT", f"Observation/o-{key}", one)
            ask(ANONYMOUS, "GET", f"Observation/o-{key}")
        ask(ANONYMOUS, "GET", "Observation")
        ask(ANONYMOUS, "GET", "Practitioner")
        ask(Caller("nobody"), "GET", "Observation/o-b")
        ask.recording.take_in()

        def seen(caller: Caller, query: str = "") -> list[set[str]]:
            bundle = ask(caller, "GET", f"AuditEvent{query}").json()
            return [
                {
                    each["what"]["reference"].partition("/_history")[0]
                    for each in entry["resource"]["entity"]
                    if str(each.get("what", {}).get("reference")).startswith("Patient/")
                }
                for entry in bundle.get("entry", ())
            ]

        everything = seen(ANONYMOUS)
        assert {"Patient/a", "Patient/b"} in everything
        assert set() in everything
        for narrowed in (
            Caller("north", ALL, clients=frozenset({"a"})),
            Caller("north", ALL, clients=frozenset({"a"}), tied=frozenset({"Organization/x"})),
        ):
            mine = seen(narrowed)
            assert len(mine) == 3
            assert all(each == {"Patient/a"} for each in mine)
            assert seen(narrowed, "?patient=b") == []
            assert seen(narrowed, "?entity=Observation/o-b") == []
        nothing = Caller("none", ALL, tied=frozenset({"Organization/x"}))
        assert seen(nothing) == []
        # The refused look at o-b is told of to whose client it was.
        refused = ask(ANONYMOUS, "GET", "AuditEvent?altid=nobody&patient=b").json()["entry"]
        assert [each["resource"]["outcome"] for each in refused] == ["4"]
        number = refused[0]["resource"]["id"]
        assert ask(ANONYMOUS, "GET", f"AuditEvent/{number}").status == 200
        narrowed = Caller("north", ALL, clients=frozenset({"a"}))
        assert ask(narrowed, "GET", f"AuditEvent/{number}").status == 404


def test_it_takes_a_scope_for_audit_events(store: Store) -> None:
    with asking(store) as ask:
        for scopes, status in (
            ({"system/Observation.rs"}, 403),
            ({"system/AuditEvent.r"}, 403),
            ({"system/AuditEvent.s?date=2026-01-01"}, 403),
            ({"system/AuditEvent.s"}, 200),
        ):
            caller = Caller("c", frozenset(scopes))
            assert ask(caller, "GET", "AuditEvent").status == status, scopes
