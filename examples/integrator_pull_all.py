"""An integrator's copy: take everything by bulk export, check it, and keep it up to date.

    python examples/integrator_pull_all.py [http://127.0.0.1:8000/fhir] [folder]

The first run takes all of it, each later one what has changed since; the folder (`hyoid-copy` where
none is given) holds a file for each resource type, and the time up to which they are complete.
Under access control set TOKEN to an access token (see integrator_access.py).

http://hl7.org/fhir/uv/bulkdata/export.html
"""

from __future__ import annotations

import json
import os
import sys
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import httpx

Json = dict[str, Any]
Copy = dict[str, dict[str, str]]
"""By type and id: the resource as it came, a line of JSON."""

AT_A_TIME = 3
"""Files that are fetched at once."""


class DisagreementError(Exception):
    """Two ways of asking gave two answers."""


def discover(http: httpx.Client) -> list[str]:
    """The resource types; the service must offer the export of everything."""
    answer = http.get("metadata")
    answer.raise_for_status()
    (rest,) = answer.json()["rest"]
    operations = {operation["name"] for operation in rest.get("operation", [])}
    if "export" not in operations:
        raise DisagreementError("$export is not offered")
    # The log of accesses grows with every request, and stays where it was written.
    return [r["type"] for r in rest["resource"] if r["type"] != "AuditEvent"]


def export(http: httpx.Client, since: str | None) -> tuple[str, Json]:
    """Kick off, and ask until it is done. Gives where to ask, and the manifest."""
    params = {"_since": since} if since else {}
    answer = http.get("$export", params=params, headers={"Prefer": "respond-async"})
    while answer.status_code == 429:
        time.sleep(int(answer.headers["Retry-After"]))
        answer = http.get("$export", params=params, headers={"Prefer": "respond-async"})
    answer.raise_for_status()
    status = answer.headers["Content-Location"]
    while (answer := http.get(status)).status_code == 202:
        print(f"  {answer.headers.get('X-Progress', 'running')}")
        time.sleep(int(answer.headers.get("Retry-After", "1")))
    answer.raise_for_status()
    return status, answer.json()


def lines(http: httpx.Client, entry: Json) -> list[str]:
    """The lines of a file. One that breaks off raises; then only this file is fetched again."""
    for attempt in range(3):
        try:
            with http.stream("GET", entry["url"]) as answer:
                answer.raise_for_status()
                content = b"".join(answer.iter_bytes())
            break
        except httpx.TransportError:
            if attempt == 2:
                raise
    # Not by splitlines(): a text may hold other line separators of Unicode.
    found = content.decode().split("\n")[:-1]
    if len(found) != entry["count"]:
        raise DisagreementError(f"{entry['url']}: {len(found)} lines, not {entry['count']}")
    return found


def fetch(http: httpx.Client, entries: list[Json]) -> Iterator[tuple[str, list[str]]]:
    """All files of a list of the manifest, some at a time: (type, lines)."""
    with ThreadPoolExecutor(AT_A_TIME) as pool:
        for entry, found in zip(
            entries, pool.map(lambda entry: lines(http, entry), entries), strict=True
        ):
            yield entry["type"], found


def take_in(http: httpx.Client, manifest: Json, copy: Copy) -> tuple[int, int]:
    """Put what came into the copy, and take out what was deleted. Gives how many of each."""
    came = gone = 0
    for resource_type, found in fetch(http, manifest["output"]):
        for line in found:
            copy.setdefault(resource_type, {})[json.loads(line)["id"]] = line
            came += 1
    for _, found in fetch(http, manifest["deleted"]):
        for entry in (entry for line in found for entry in json.loads(line)["entry"]):
            resource_type, _, resource_id = entry["request"]["url"].partition("/")
            copy.get(resource_type, {}).pop(resource_id, None)
            gone += 1
    for _, found in fetch(http, manifest["error"]):
        raise DisagreementError(f"the export complains: {found[0]}")
    return came, gone


def check(http: httpx.Client, types: list[str], copy: Copy) -> None:
    """As many of each type in the copy as a search counts."""
    for resource_type in types:
        answer = http.get(resource_type, params={"_summary": "count"})
        answer.raise_for_status()
        total, held = answer.json()["total"], len(copy.get(resource_type, {}))
        if total != held:
            raise DisagreementError(f"{resource_type}: {held} in the copy, {total} found")
        if total:
            print(f"  {resource_type:24} {total:6}")


def read_copy(folder: Path) -> tuple[str | None, Copy]:
    """The copy as the last run left it, and the time up to which it is complete."""
    mark = folder / "complete-up-to"
    if not mark.exists():
        return None, {}
    copy: Copy = {}
    for path in folder.glob("*.ndjson"):
        found = path.read_text(encoding="utf-8").split("\n")[:-1]
        copy[path.stem] = {json.loads(line)["id"]: line for line in found}
    return mark.read_text(), copy


def write_copy(folder: Path, until: str, copy: Copy) -> None:
    """The time is written last: a run that is cut off before is done again, and does no harm."""
    folder.mkdir(parents=True, exist_ok=True)
    for resource_type, held in copy.items():
        text = "".join(f"{line}\n" for line in held.values())
        (folder / f"{resource_type}.ndjson").write_text(text, encoding="utf-8")
    (folder / "complete-up-to").write_text(until)


def run(http: httpx.Client, folder: Path) -> None:
    """Discover, export, take in, check, keep."""
    types = discover(http)
    since, copy = read_copy(folder)
    print(f"what changed since {since}" if since else "everything")
    status, manifest = export(http, since)
    came, gone = take_in(http, manifest, copy)
    http.delete(status).raise_for_status()
    print(f"{came} resources came, {gone} were deleted; up to {manifest['transactionTime']}:")
    check(http, types, copy)
    write_copy(folder, manifest["transactionTime"], copy)


def main(base: str = "http://127.0.0.1:8000/fhir", folder: str = "hyoid-copy") -> int:
    headers = {"Accept": "application/fhir+json"}
    if "TOKEN" in os.environ:
        headers["Authorization"] = f"Bearer {os.environ['TOKEN']}"
    with httpx.Client(base_url=base, headers=headers, timeout=60) as http:
        try:
            run(http, Path(folder))
        except (DisagreementError, httpx.HTTPError) as problem:
            print(f"DISAGREEMENT: {problem}")
            return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:3]))
