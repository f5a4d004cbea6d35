"""Against R4, OperationDefinition Observation-stats: its parameters, and what it leaves out."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import httpx
import pytest

from service.caller import ANONYMOUS
from service.errors import TooCostly
from service.rest import stats
from service.rest.stats_question import Question
from service.standard.validation import check
from service.store.store import Store
from tests.factories.clinical import observation, patient

MEASURE = "https://hyoid.example/fhir/CodeSystem/measure"
PRESSURE = "maximum-tongue-pressure"
SYSTEM = "http://terminology.hl7.org/CodeSystem/observation-statistics"
UCUM = "http://unitsofmeasure.org"
BASE = "http://clinic.example/fhir"


class Client:
    """One client whose Observations are put one by one."""

    def __init__(self, fhir: httpx.Client, name: str) -> None:
        self.fhir, self.name, self.count = fhir, name, 0
        fhir.put(f"Patient/{name}", json=patient(name)).raise_for_status()

    def put(self, value: float, when: str = "2026-03-04", **more: Any) -> str:
        self.count += 1
        key = f"{self.name}-{self.count}"
        seen = observation(key, f"Patient/{self.name}", value, when=when) | more
        self.fhir.put(f"Observation/{key}", json=seen).raise_for_status()
        return key

    def asked(self, query: str) -> httpx.Response:
        about = f"subject=Patient/{self.name}&system={MEASURE}&code={PRESSURE}"
        return self.fhir.get(f"Observation/$stats?{about}&{query}")

    def told(self, query: str) -> dict[str, Any]:
        """Value by statistic, or None where there is none."""
        answer = self.asked(query).raise_for_status().json()
        check(answer)
        (found,) = _named(answer, "statistics")
        assert found["status"] == "final"
        assert found["subject"] == {"reference": f"Patient/{self.name}"}
        assert found["code"] == {"coding": [{"system": MEASURE, "code": PRESSURE}]}
        return _values(found)


def _named(answer: dict[str, Any], name: str) -> list[dict[str, Any]]:
    return [one["resource"] for one in answer["parameter"] if one["name"] == name]


def _values(found: dict[str, Any]) -> dict[str, Any]:
    told = {}
    for component in found["component"]:
        (coding,) = component["code"]["coding"]
        assert coding["system"] == SYSTEM
        quantity = component.get("valueQuantity")
        told[coding["code"]] = quantity and (quantity["value"], quantity["code"])
    return told


@pytest.fixture
def client(fhir: httpx.Client, name: str) -> Client:
    return Client(fhir, name)


def test_statistics_of_one_code_with_their_units(client: Client) -> None:
    for value in (20, 22, 27):
        client.put(value)
    client.put(99, code={"coding": [{"system": MEASURE, "code": "other"}]})
    assert client.told("statistic=average&statistic=max,min&statistic=variance,count,skew") == {
        "average": (23, "kPa"),
        "maximum": (27, "kPa"),
        "minimum": (20, "kPa"),
        "variance": (13, "kPa.kPa"),
        "count": (3, "1"),
        "skew": (pytest.approx(0.47033046), "1"),
    }


def test_what_is_no_valid_value_counts_in_the_total_only(client: Client) -> None:
    kept = {"system": UCUM, "code": "kPa", "unit": "kPa"}
    client.put(20)
    client.put(1, valueQuantity=kept | {"value": 1, "comparator": "<"})
    client.put(2, valueQuantity={"value": 2, "unit": "kPa"})
    client.put(3, status="entered-in-error")
    client.put(4, modifierExtension=[{"url": "https://clinic.example/not", "valueBoolean": True}])
    assert client.told("statistic=count,total-count,sum,std-dev") == {
        "count": (1, "1"),
        "total-count": (4, "1"),
        "sum": (20, "kPa"),
        "std-dev": None,
    }


def test_units_are_brought_together_or_refused(client: Client) -> None:
    client.put(20, "2026-03-01")
    pascal = {"value": 22000, "unit": "pascal", "system": UCUM, "code": "Pa"}
    client.put(0, "2026-03-02", valueQuantity=pascal)
    assert client.told("statistic=average,median") == {
        "average": (21000, "Pa"),
        "median": (21000, "Pa"),
    }
    client.put(0, "2026-03-03", valueQuantity=pascal | {"code": "s"})
    answer = client.asked("statistic=average")
    assert answer.status_code == 400
    assert "cannot be compared" in answer.text


def test_components_of_the_code_are_measured_too(client: Client) -> None:
    code = {"coding": [{"system": MEASURE, "code": PRESSURE}]}
    parts = [
        {"code": code, "valueQuantity": {"value": v, "unit": "kPa", "system": UCUM, "code": "kPa"}}
        for v in (10, 30)
    ]
    client.put(99, code={"coding": [{"system": MEASURE, "code": "set"}]}, component=parts)
    assert client.told("statistic=average,count") == {"average": (20, "kPa"), "count": (2, "1")}


def test_period_duration_and_sources(client: Client, fhir: httpx.Client) -> None:
    ids = [client.put(10 * day, f"2026-03-0{day}") for day in (1, 2, 3)]
    period = {"start": "2026-03-02", "end": "2026-03-03"}
    posted = {
        "resourceType": "Parameters",
        "parameter": [
            {"name": "subject", "valueUri": f"Patient/{client.name}"},
            {"name": "coding", "valueCoding": {"system": MEASURE, "code": PRESSURE}},
            {"name": "period", "valuePeriod": period},
            {"name": "statistic", "valueCode": "average"},
            {"name": "include", "valueBoolean": True},
        ],
    }
    answer = fhir.post("Observation/$stats", json=posted).raise_for_status().json()
    (found,) = _named(answer, "statistics")
    assert found["effectivePeriod"] == period
    assert _values(found) == {"average": (25, "kPa")}
    assert [source["id"] for source in _named(answer, "source")] == ids[1:]
    limited = client.asked("statistic=average&include=true&limit=1").json()
    assert [source["id"] for source in _named(limited, "source")] == ids[:1]
    assert _named(client.asked("statistic=average&limit=1").json(), "source") == []
    assert client.told("duration=1&statistic=count,average") == {"count": (0, "1"), "average": None}
    assert client.told("duration=1000000&statistic=count") == {"count": (3, "1")}


@pytest.mark.parametrize(
    ("query", "named"),
    [
        ("code=a&system=b&statistic=average", "subject"),
        ("subject=p1&code=a&system=b&statistic=average", "subject"),
        ("subject=Patient/p,Patient/q&code=a&system=b&statistic=average", "subject"),
        ("subject=Patient/p&code=a&statistic=average", "system"),
        ("subject=Patient/p&statistic=average", "code"),
        ("subject=Patient/p&coding=a&statistic=average", "coding"),
        ("subject=Patient/p&code=a&system=b", "statistic"),
        ("subject=Patient/p&code=a&system=b&statistic=mode", "statistic"),
        ("subject=Patient/p&code=a&system=b&statistic=regression", "statistic"),
        ("subject=Patient/p&code=a&system=b&statistic=sum&duration=-1", "duration"),
        ("subject=Patient/p&code=a&system=b&statistic=sum&duration=nan", "duration"),
        ("subject=Patient/p&code=a&system=b&statistic=sum&period=2026", "period"),
        ("subject=Patient/p&code=a&system=b&statistic=sum&include=maybe", "include"),
        ("subject=Patient/p&code=a&system=b&statistic=sum&include=true&limit=0", "limit"),
        ("subject=Patient/p&code=a&system=b&statistic=sum&patient=p", "patient"),
    ],
)
def test_wrong_questions_are_refused(fhir: httpx.Client, query: str, named: str) -> None:
    answer = fhir.get(f"Observation/$stats?{query}")
    assert answer.status_code == 400
    assert answer.json()["issue"][0]["location"] == [f"http.{named}"]


def test_too_many_measurements_are_too_costly(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(stats, "MOST", 2)
    call: Any = SimpleNamespace(caller=ANONYMOUS, base=BASE)
    code = (MEASURE, PRESSURE)
    question = Question("Patient/p1", (code,), ("count",), {}, 0)
    for count in (1, 2, 3):
        with store.write(ANONYMOUS) as unit:
            unit.append(observation(), f"o{count}", BASE, method="PUT", current=None)
        with store.reader() as connection:
            if count < 3:
                assert len(stats.measured(connection, call, question, code).numbers) == count
                continue
            with pytest.raises(TooCostly):
                stats.measured(connection, call, question, code)
