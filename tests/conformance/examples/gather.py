"""How were the example files made?

The unit tests in the source archive of `fhir.resources` 5.1.1 (PyPI) assert, element by element,
what HL7's official R4 4.0.1 examples say; references, contained resources and most narrative
are not among it. This reads those assertions back into JSON: one line a resource, one file a
type of ours::

    pip download --no-deps --no-binary :all: fhir.resources==5.1.1
    python tests/conformance/examples/gather.py fhir.resources-5.1.1.tar.gz
"""

from __future__ import annotations

import ast
import io
import json
import sys
import tarfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from service.standard.registry import RESOURCE_TYPES

HERE = Path(__file__).resolve().parent
Steps = list[str | int]


def modules(archive: Path) -> Iterator[ast.Module]:
    """The unit test modules for R4, in the order of their names."""
    with tarfile.open(archive) as source:
        for name in sorted(source.getnames()):
            if "/fhir/resources/tests/test_" in name:
                stream = source.extractfile(name)
                assert stream is not None
                yield ast.parse(io.TextIOWrapper(stream, "utf-8").read())


def examples(module: ast.Module) -> Iterator[tuple[str, dict[str, Any]]]:
    """(file name of the official example, what is asserted of it)."""
    for case in module.body:
        if not isinstance(case, ast.ClassDef):
            continue
        type_ = case.name.removesuffix("Tests")
        methods = {node.name: node for node in case.body if isinstance(node, ast.FunctionDef)}
        for name, method in methods.items():
            told = methods.get(name.replace("test", "impl", 1))
            if name.startswith("test") and told is not None:
                yield file_of(method), {"resourceType": type_} | resource(told)


def file_of(method: ast.FunctionDef) -> str:
    return next(
        str(node.args[0].value)
        for node in ast.walk(method)
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Attribute)
        and node.func.attr == "instantiate_from"
        and isinstance(node.args[0], ast.Constant)
    )


def resource(method: ast.FunctionDef) -> dict[str, Any]:
    root: dict[str, Any] = {}
    for statement in method.body:
        if isinstance(statement, ast.Expr) and isinstance(statement.value, ast.Call):
            told = assertion(statement.value)
            if told is not None:
                place(root, *told)
    root.pop("contained", None)
    if "div" not in root.get("text", {}):
        root.pop("text", None)
    pruned: dict[str, Any] = prune(root)
    return pruned


def assertion(call: ast.Call) -> tuple[Steps, Any] | None:
    """Path and value of one assertion; None for those that say the same in another way."""
    assert isinstance(call.func, ast.Attribute)
    subject = plain(call.args[0])
    if call.func.attr in ("assertTrue", "assertFalse"):
        return steps(subject), call.func.attr == "assertTrue"
    if (
        isinstance(subject, ast.Attribute)
        and subject.attr == "date"
        and "FHIRDate" in ast.dump(call)
    ):
        return None
    return steps(subject), ast.literal_eval(plain(call.args[1]))


def plain(node: ast.expr) -> ast.expr:
    """Without `force_bytes(…)` and `.as_json()`."""
    if isinstance(node, ast.Call):
        return plain(node.args[0]) if node.args else plain(node.func.value)  # type: ignore[attr-defined]
    return node


def steps(node: ast.expr) -> Steps:
    if isinstance(node, ast.Attribute):
        return [*steps(node.value), node.attr.removesuffix("_fhir")]
    if isinstance(node, ast.Subscript):
        return [*steps(node.value), int(ast.literal_eval(node.slice))]
    return []


def place(root: Any, path: Steps, value: Any) -> None:
    for step, following in zip(path, [*path[1:], None], strict=True):
        empty: Any = [] if isinstance(following, int) else {}
        if isinstance(step, int):
            while len(root) <= step:
                root.append({})
            if following is None:
                root[step] = value
            elif root[step] == {}:
                root[step] = empty
            root = root[step]
        else:
            root = root.setdefault(step, value if following is None else empty)


def prune(value: Any) -> Any:
    """Without what is empty because only a reference stood there."""
    if isinstance(value, dict):
        kept = {name: prune(inner) for name, inner in value.items()}
        return {name: inner for name, inner in kept.items() if inner not in ({}, [])}
    if isinstance(value, list):
        return [inner for inner in map(prune, value) if inner not in ({}, [])]
    return value


def main() -> None:
    found: dict[str, list[str]] = {name: [] for name in RESOURCE_TYPES}
    for module in modules(Path(sys.argv[1])):
        for file, body in examples(module):
            if body["resourceType"] in found:
                line = {"file": file, "resource": body}
                found[body["resourceType"]].append(json.dumps(line, ensure_ascii=False))
    for name, lines in found.items():
        if lines:
            (HERE / f"{name}.ndjson").write_text("\n".join(lines) + "\n", "utf-8")
        print(f"{name}: {len(lines)}")


if __name__ == "__main__":
    main()
