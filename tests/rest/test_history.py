from __future__ import annotations

import httpx

from tests.factories.clinical import observation, patient

Bundle = dict[str, object]


def _walk(client: httpx.Client, url: str) -> list[dict[str, object]]:
    entries = []
    while url:
        bundle = client.get(url).raise_for_status().json()
        entries += bundle.get("entry", [])
        url = next((link["url"] for link in bundle["link"] if link["relation"] == "next"), "")
    return entries


def test_history_of_a_resource_is_newest_first_with_its_deletion(
    fhir: httpx.Client, name: str
) -> None:
    for value in (1, 2, 3):
        fhir.put(f"Observation/{name}", json=observation(name, value=value)).raise_for_status()
    fhir.delete(f"Observation/{name}").raise_for_status()
    bundle = fhir.get(f"Observation/{name}/_history").json()
    assert (bundle["type"], bundle["total"]) == ("history", 4)
    seen = [
        (entry["request"]["method"], entry["response"]["status"], entry["response"]["etag"])
        for entry in bundle["entry"]
    ]
    assert seen == [
        ("DELETE", "204", 'W/"4"'),
        ("PUT", "200", 'W/"3"'),
        ("PUT", "200", 'W/"2"'),
        ("PUT", "201", 'W/"1"'),
    ]
    assert "resource" not in bundle["entry"][0]
    values = [entry["resource"]["valueQuantity"]["value"] for entry in bundle["entry"][1:]]
    assert values == [3, 2, 1]


def test_history_pages_lose_and_repeat_nothing(fhir: httpx.Client, name: str) -> None:
    for value in range(7):
        fhir.put(f"Observation/{name}", json=observation(name, value=value)).raise_for_status()
    paged = _walk(fhir, f"Observation/{name}/_history?_count=3")
    assert paged == fhir.get(f"Observation/{name}/_history").json()["entry"]


def test_history_since_and_at(fhir: httpx.Client, name: str) -> None:
    times = []
    for value in (1, 2, 3):
        put = fhir.put(f"Observation/{name}", json=observation(name, value=value))
        times.append(put.json()["meta"]["lastUpdated"])
    address = f"Observation/{name}/_history"
    since = fhir.get(address, params={"_since": times[1]}).json()["entry"]
    assert [entry["response"]["etag"] for entry in since] == ['W/"3"', 'W/"2"']
    at = fhir.get(address, params={"_at": times[1]}).json()["entry"]
    assert [entry["response"]["etag"] for entry in at] == ['W/"2"']
    assert fhir.get(address, params={"_since": "yesterday"}).status_code == 400
    assert fhir.get(address, params={"_count": "-1"}).status_code == 400


def test_history_of_type_and_system_hold_every_change(fhir: httpx.Client, name: str) -> None:
    start = fhir.put(f"Patient/{name}", json=patient(name)).json()["meta"]["lastUpdated"]
    fhir.put(f"Observation/{name}", json=observation(name)).raise_for_status()
    fhir.delete(f"Observation/{name}").raise_for_status()
    of_type = _walk(fhir, f"Observation/_history?_since={start}&_count=1")
    assert [entry["request"]["method"] for entry in of_type] == ["DELETE", "PUT"]  # type: ignore[index]
    of_all = _walk(fhir, f"_history?_since={start}&_count=2")
    assert [entry["request"]["url"] for entry in of_all] == [  # type: ignore[index]
        f"Observation/{name}",
        f"Observation/{name}",
        f"Patient/{name}",
    ]


def test_history_of_what_never_was_is_not_found(fhir: httpx.Client, name: str) -> None:
    assert fhir.get(f"Patient/{name}/_history").status_code == 404
