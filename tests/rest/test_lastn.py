"""Checked against the rules and the table of groups in R4, OperationDefinition
Observation-lastn."""

from __future__ import annotations

import httpx
import pytest

from tests.factories.clinical import observation, patient

SYSTEM = "https://clinic.example/measures"


def _code(*codes: str) -> dict[str, object]:
    return {"coding": [{"system": SYSTEM, "code": code} for code in codes]}


class Client:
    """One client whose Observations are put one by one."""

    def __init__(self, fhir: httpx.Client, name: str) -> None:
        self.fhir, self.name, self.count = fhir, name, 0
        fhir.put(f"Patient/{name}", json=patient(name)).raise_for_status()

    def put(self, code: dict[str, object], when: str | None) -> str:
        """Store one; gives its id."""
        self.count += 1
        key = f"{self.name}-{self.count}"
        seen = observation(key, patient=f"Patient/{self.name}") | {"code": code}
        if when is None:
            del seen["effectiveDateTime"]
        else:
            seen["effectiveDateTime"] = when
        self.fhir.put(f"Observation/{key}", json=seen).raise_for_status()
        return key

    def last(self, query: str = "category=therapy") -> list[str]:
        """Ids of the answer, in order."""
        answer = self.fhir.get(f"Observation/$lastn?patient={self.name}&{query}")
        bundle = answer.raise_for_status().json()
        assert bundle["total"] == len(bundle.get("entry", []))
        return [entry["resource"]["id"] for entry in bundle.get("entry", [])]


@pytest.fixture
def client(fhir: httpx.Client, name: str) -> Client:
    return Client(fhir, name)


def test_the_last_of_each_code_newest_first(client: Client) -> None:
    client.put(_code("a"), "2026-01-01")
    newest_a = client.put(_code("a"), "2026-01-03")
    client.put(_code("a"), "2026-01-02")
    newest_b = client.put(_code("b"), "2026-01-04")
    assert client.last() == [newest_b, newest_a]
    assert client.last("category=vital-signs") == []


def test_max_and_ties(client: Client) -> None:
    ids = [client.put(_code("a"), f"2026-01-0{day}") for day in (1, 2, 3)]
    assert client.last("code=a&max=2") == [ids[2], ids[1]]
    twin = client.put(_code("a"), "2026-01-02")
    assert client.last("code=a&max=2") == [ids[2], twin, ids[1]]


@pytest.mark.parametrize(
    ("third", "groups"), [(("c",), 3), (("a", "c"), 2), (("a", "b"), 1)], ids=str
)
def test_codes_that_translate_each_other_are_one_group(
    client: Client, third: tuple[str, ...], groups: int
) -> None:
    client.put(_code("a"), "2026-01-01")
    client.put(_code("b"), "2026-01-02")
    client.put(_code(*third), "2026-01-03")
    assert len(client.last()) == groups


def test_texts_are_groups_of_their_own(client: Client) -> None:
    for day, text in enumerate(("textM", "Text", "t e x t"), 1):
        client.put({"text": text}, f"2026-01-0{day}")
    assert len(client.last()) == 3


def test_one_without_a_time_is_the_oldest(client: Client) -> None:
    dated = client.put(_code("a"), "1999-01-01")
    client.put(_code("a"), None)
    assert client.last() == [dated]


def test_what_is_asked_wrongly_is_refused(client: Client) -> None:
    for query in (
        "category=therapy",
        f"patient={client.name}",
        f"patient={client.name}&category=therapy&max=0",
        f"patient={client.name}&category=therapy&date=soon",
    ):
        answer = client.fhir.get(f"Observation/$lastn?{query}")
        assert answer.status_code == 400, query
