"""Do HL7's official R4 resources of our types go in and come back equal, number for number?

Two sources: the examples gathered in `tests/conformance/examples`, and every fifteenth of the
3,100 definitional resources of the official package (`tests/official.py`).
"""

from __future__ import annotations

import tarfile
from collections.abc import Iterator

import httpx
import pytest

from service.standard.codec import decode, encode, same
from service.standard.registry import RESOURCE_TYPES
from tests import official
from tests.contract.asked import FHIR, Resource
from tests.contract.completed import completed

EXAMPLES = list(completed())
STEP = 15
NOT_VALID = {
    "group-example-herd1.json": "an extension with a value and an extension (ext-1) is left of it",
    **{
        f"StructureDefinition-{name}.json": "not abstract, and without a baseDefinition (sdf-4)"
        for name in ("Definition", "Event", "FiveWs", "Request")
    },
}
"""What R4's own rules refuse, and why."""


def _unstamped(resource: Resource) -> Resource:
    """Without what the service sets, and without a meta that had nothing else."""
    meta = {
        name: value
        for name, value in resource.get("meta", {}).items()
        if name not in ("versionId", "lastUpdated")
    }
    rest = {name: value for name, value in resource.items() if name not in ("meta", "id")}
    return rest | ({"meta": meta} if meta else {})


def _as_sent(back: Resource) -> Resource:
    """Without the mark that an AuditEvent was sent and without its sender."""
    if back["resourceType"] != "AuditEvent":
        return back
    *agents, sender = back["agent"]
    *tags, mark = back["meta"]["tag"]
    assert sender["role"] == [{"coding": [mark]}]
    meta = {name: value for name, value in back["meta"].items() if name != "tag"}
    return back | {"agent": agents, "meta": meta | ({"tag": tags} if tags else {})}


def _goes_through(fhir: httpx.Client, name: str, resource: Resource, key: str) -> None:
    sent = resource | {"id": key}
    address = f"{resource['resourceType']}/{key}"
    headers = {"Content-Type": FHIR}
    if resource["resourceType"] == "AuditEvent":
        # What is on record is only appended to, under a number of the log.
        stored = fhir.post("AuditEvent", content=encode(sent), headers=headers)
        if stored.status_code == 201:
            address = f"AuditEvent/{stored.json()['id']}"
    else:
        stored = fhir.put(address, content=encode(sent), headers=headers)
    if name in NOT_VALID:
        assert stored.status_code == 400, name
        return
    assert stored.status_code == 201, (name, stored.text)
    for answer in (stored, fhir.get(address), fhir.get(f"{address}/_history/1")):
        back = _as_sent(decode(answer.content))
        assert same(_unstamped(back), _unstamped(sent)), name
        elements = [element for element in back if element not in ("id", "meta")]
        assert elements == [element for element in sent if element not in ("id", "meta")], name
    pretty = fhir.get(address, params={"_pretty": "true"})
    assert same(_unstamped(_as_sent(decode(pretty.content))), _unstamped(sent)), name


def test_there_are_enough() -> None:
    assert len(EXAMPLES) >= 250
    assert len({resource["resourceType"] for _, resource in EXAMPLES}) >= 38


@pytest.mark.parametrize("kind", sorted({resource["resourceType"] for _, resource in EXAMPLES}))
def test_examples_come_back_equal(kind: str, fhir: httpx.Client) -> None:
    for number, (name, resource) in enumerate(EXAMPLES):
        if resource["resourceType"] == kind:
            _goes_through(fhir, name, resource, f"example-{number}")


def _definitional() -> Iterator[tuple[str, Resource]]:
    with tarfile.open(official.path()) as archive:
        names = sorted(
            name
            for name in archive.getnames()
            if name.startswith("package/") and name[8:].split("-")[0] in RESOURCE_TYPES
        )
        for name in names[::STEP]:
            stream = archive.extractfile(name)
            assert stream is not None
            yield name.removeprefix("package/"), decode(stream.read())


def test_definitional_resources_come_back_equal(live_service: str) -> None:
    seen = 0
    with httpx.Client(base_url=f"{live_service}/fhir/", timeout=30) as client:
        for seen, (name, resource) in enumerate(_definitional(), 1):
            _goes_through(client, name, resource, f"official-{seen}")
    assert seen > 150
