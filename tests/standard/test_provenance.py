"""The Provenance of a write is valid R4, and its codes are those of the official code systems.

Outside: CodeSystem-provenance-agent-type and v3-DataOperation of the official package.
"""

from __future__ import annotations

import pytest

from service.caller import Caller
from service.standard.profiles import check
from service.standard.provenance import Version, completed, made, to_sign
from tests import official

NOW = "2026-05-04T09:00:00.000250Z"
WARD = Caller("ward", tied=frozenset({"Organization/clinic"}), reference="Device/ward")


def version(number: int = 1, method: str = "POST", kind: str = "Goal") -> Version:
    return Version(kind, "g", number, method)


def codes(system: str) -> set[str]:
    def below(concepts: list[dict]) -> set[str]:  # type: ignore[type-arg]
        return {c["code"] for c in concepts} | {
            code for c in concepts for code in below(c.get("concept", []))
        }

    (found,) = [each for each in official.resources("CodeSystem") if each["url"] == system]
    return below(found["concept"])


@pytest.mark.parametrize(
    ("versions", "code"),
    [
        ([version()], "CREATE"),
        ([version(1, "PUT")], "CREATE"),
        ([version(2, "PUT")], "UPDATE"),
        ([version(3, "PATCH")], "UPDATE"),
        ([version(2, "DELETE")], "DELETE"),
        ([version(), version(2, "DELETE")], "UPDATE"),
    ],
)
def test_it_tells_what_was_done(versions: list[Version], code: str) -> None:
    found = made(versions, WARD, NOW)
    (coding,) = found["activity"]["coding"]
    assert coding["code"] == code
    assert coding["code"] in codes(coding["system"])
    assert [t["reference"] for t in found["target"]] == [v.reference for v in versions]
    assert found["target"][0]["reference"].startswith("Goal/g/_history/")
    check(found)


def test_it_names_the_caller_and_for_whom() -> None:
    (agent,) = made([version()], WARD, NOW)["agent"]
    (coding,) = agent["type"]["coding"]
    assert coding["code"] in codes(coding["system"])
    assert agent["who"] == {"reference": "Device/ward"}
    assert agent["onBehalfOf"] == {"reference": "Organization/clinic"}
    (other,) = made([version()], Caller("ward"), NOW)["agent"]
    assert other["who"]["identifier"]["value"] == "ward"
    assert "onBehalfOf" not in other


def test_none_is_made_of_a_provenance_or_of_what_has_one() -> None:
    written = [version(), version(kind="Provenance"), version(kind="Procedure")]
    base = "https://x.example/fhir"
    for reference in ("Goal/g", "Goal/g/_history/1", f"{base}/Goal/g"):
        assert to_sign(written, [reference], base) == [version(kind="Procedure")]
    assert to_sign(written, [], base) == [version(), version(kind="Procedure")]


def test_one_that_was_sent_keeps_what_it_says() -> None:
    sent = {
        "resourceType": "Provenance",
        "recorded": "2026-01-01T00:00:00Z",
        "agent": [{"who": {"display": "A therapist elsewhere"}}],
    }
    found = completed(sent, [version()], WARD, NOW)
    assert found["recorded"] == "2026-01-01T00:00:00Z"
    assert [agent["who"] for agent in found["agent"]] == [
        {"display": "A therapist elsewhere"},
        {"reference": "Device/ward"},
    ]
    check(found)
    assert len(completed(sent, [version()], None, NOW)["agent"]) == 1
