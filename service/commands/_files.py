"""Which files does a command read, and which records lie in them?

FHIR JSON holds one resource a file (http://hl7.org/fhir/R4/json.html); NDJSON one a line
(http://hl7.org/fhir/R4/nd-json.html) and is read line by line, whatever its size.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from service.commands._telling import RefusedError
from service.standard.codec import MAX_BYTES

STDIN = Path("-")
LARGEST_FILE = 1 << 30
"""A JSON file is read as a whole; NDJSON has no such limit."""

_JSON = frozenset({".json"})
_LINES = frozenset({".ndjson", ".jsonl"})
_TABLES = frozenset({".csv", ".tsv"})
_BOOKS = frozenset({".xlsx", ".ods"})


@dataclass(frozen=True, slots=True)
class Record:
    """The bytes of one resource and the place they were read from (`file`, or `file:line`).

    `refusal` says why there are no bytes; `size` is what it took of the file.
    """

    place: str
    raw: bytes
    size: int
    refusal: str | None = None
    line: int | None = None


def files_at(paths: Sequence[Path]) -> list[Path]:
    """The files named, and those below the folders named, in the order of their names."""
    found: list[Path] = []
    for path in paths:
        if path.is_dir():
            below = [file for file in sorted(path.rglob("*")) if file.is_file()]
            readable = [
                file for file in below if file.suffix.lower() in _JSON | _LINES | _TABLES | _BOOKS
            ]
            if not readable:
                raise RefusedError(f"{path}: no .json, .ndjson or .csv file in this folder")
            found += readable
        elif path == STDIN or path.exists():
            found.append(path)
        else:
            raise RefusedError(f"{path}: no such file or folder")
    return list(dict.fromkeys(found))


def is_table(file: Path) -> bool:
    """Whether it is a table of session notes, by its name."""
    return file.suffix.lower() in _TABLES


def size_of(files: Sequence[Path]) -> int:
    """All bytes to read, as far as they are known."""
    return sum(file.stat().st_size for file in files if file.is_file())


def records_in(file: Path) -> Iterator[Record]:
    """The records of one file, in order."""
    kind = file.suffix.lower()
    if file == STDIN:
        yield from _lines("-", sys.stdin.buffer)
        return
    if kind in _BOOKS:
        yield _refused(file, "a workbook cannot be read: save the sheet as CSV in UTF-8")
        return
    if kind in _TABLES:
        yield _refused(file, "a table of session notes holds no FHIR resources: use hyoid load")
        return
    if kind not in _JSON | _LINES:
        yield _refused(file, "not read: the name of a file must end in .json or .ndjson")
        return
    try:
        with file.open("rb") as stream:
            if kind in _LINES:
                yield from _lines(str(file), stream)
            else:
                yield _whole(file, stream)
    except OSError as error:
        yield _refused(file, f"cannot be read: {error.strerror}")


def _whole(file: Path, stream: BinaryIO) -> Record:
    raw = stream.read(LARGEST_FILE + 1)
    if len(raw) > LARGEST_FILE:
        return _refused(file, "larger than 1 GiB: split it, or write one resource a line (.ndjson)")
    return Record(str(file), raw, len(raw))


def _lines(name: str, stream: BinaryIO) -> Iterator[Record]:
    """Lines as records; one past the limit of a body is passed over without being held."""
    number = 0
    while line := stream.readline(MAX_BYTES + 2):
        number += 1
        place, size = f"{name}:{number}", len(line)
        if size == MAX_BYTES + 2 and not line.endswith(b"\n"):
            while (rest := stream.readline(MAX_BYTES)) and not rest.endswith(b"\n"):
                size += len(rest)
            refusal = f"a line may have {MAX_BYTES:,} bytes"
            yield Record(place, b"", size + len(rest), refusal, number)
        elif line.strip():
            yield Record(place, line.rstrip(b"\r\n"), size, None, number)


def _refused(file: Path, why: str) -> Record:
    return Record(str(file), b"", file.stat().st_size if file.is_file() else 0, why)
