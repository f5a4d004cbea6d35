from __future__ import annotations

import pytest

from service.access.gate import OpenGate, is_loopback_host
from service.caller import ANONYMOUS
from service.errors import Forbidden


@pytest.mark.parametrize(
    ("host", "loopback"),
    [
        ("127.0.0.1:8000", True),
        ("127.8.9.1", True),
        ("localhost:8000", True),
        ("[::1]:8000", True),
        ("clinic.example:8000", False),
        ("127.0.0.1.clinic.example", False),
        ("192.168.0.1:8000", False),
        ("[::1", False),
        ("", False),
    ],
)
def test_names_of_loopback(host: str, loopback: bool) -> None:
    assert is_loopback_host(host) is loopback


def test_open_gate_knows_loopback_and_its_base_url() -> None:
    gate = OpenGate("https://records.example/fhir")
    assert gate.admit("read", {"host": "127.0.0.1:8000"}) is ANONYMOUS
    assert gate.admit("read", {"host": "records.example"}) is ANONYMOUS
    for host in ("elsewhere.example", ""):
        with pytest.raises(Forbidden):
            gate.admit("read", {"host": host})


def test_open_gate_without_a_base_url_lets_no_other_name_in() -> None:
    with pytest.raises(Forbidden):
        OpenGate().admit("read", {"host": "elsewhere.example"})
