"""Rows of a table: RFC 4180, and what people really send."""

from __future__ import annotations

import pytest

from service.errors import Invalid, Malformed
from service.intake.columns import columns
from service.intake.csv_rows import Row, lines_of, rows_of
from service.intake.tables import own_codes, table

HEAD = b"session,client,start,note\n"


def _rows(raw: bytes, *, piece: int = 1 << 16, delimiter: str | None = None) -> list[Row]:
    chunks = [raw[at : at + piece] for at in range(0, len(raw), piece)]
    return list(rows_of(lines_of(chunks), delimiter))


@pytest.mark.parametrize("piece", [1, 2, 7, 1 << 16])
def test_rows_do_not_depend_on_how_the_bytes_arrive(piece: int) -> None:
    raw = HEAD + 'A,1,x,"Ä ""b""\nc, d"\nB,2,y,z'.encode()
    found = _rows(raw, piece=piece)
    assert [(row.number, row.cells.get("note"), row.fault) for row in found] == [
        (2, 'Ä "b"\nc, d', None),
        (4, "z", None),
    ]


@pytest.mark.parametrize("mark", [",", ";", "\t"])
@pytest.mark.parametrize("bom", [b"", b"\xef\xbb\xbf"])
@pytest.mark.parametrize("end", [b"\n", b"\r\n"])
def test_marks_and_line_ends_are_found_out(mark: str, bom: bytes, end: bytes) -> None:
    lines = ["Session,CLIENT,start,strokes_per_side", "A,1,x,5"]
    raw = bom + end.join(line.replace(",", mark).encode() for line in lines)
    (row,) = _rows(raw)
    assert row.cells == {"session": "A", "client": "1", "start": "x", "strokesPerSide": "5"}


def test_blank_lines_are_no_rows_and_keep_the_count() -> None:
    found = _rows(b"\n" + HEAD + b"\n,,,\nA,1,x,\n")
    assert [(row.number, row.fault) for row in found] == [(5, None)]


@pytest.mark.parametrize(
    "line",
    [
        b'A,1,x,"open\n',
        b'A,1,x,"shut" more\n',
        b"A,1,x,n,5,6\n",
        b"A,1,x,\xff\n",
        b"A,1,x,\x00\n",
        b"A,1,x," + b"n" * (1 << 21) + b"\n",
    ],
)
def test_a_broken_row_costs_itself_only(line: bytes) -> None:
    found = _rows(HEAD + b"0,1,x,n\n" + line + b"".join(b"B%d,1,x,n\n" % n for n in range(60)))
    assert len(found) == 62
    assert [row.number for row in found if row.fault] == [3]
    assert found[1].cells["session"] == "A"


def test_two_lone_quotes_do_not_swallow_what_lies_between() -> None:
    found = _rows(HEAD + b'A,1,x,"a\nB,1,x,b\nC,1,x,c"c"\nD,1,x,d\n')
    assert [row.cells["session"] for row in found] == ["A", "B", "C", "D"]


@pytest.mark.parametrize(
    ("raw", "told"),
    [
        (b"session,client\n", ["row 1"]),
        (b"session,client,start,mood\n", ["row 1, column mood"]),
        (b"session,client,start,Session\n", ["row 1, column Session"]),
    ],
)
def test_a_header_that_cannot_be_used_is_refused(raw: bytes, told: list[str]) -> None:
    with pytest.raises(Invalid) as caught:
        _rows(raw)
    assert [issue.location for issue in caught.value.issues] == told


@pytest.mark.parametrize("raw", [b"", b"\n\n", b'"session\n', b"\xff\xfe\n"])
def test_a_table_without_a_header_is_refused(raw: bytes) -> None:
    with pytest.raises((Malformed, Invalid)):
        _rows(raw)


def test_names_of_columns_are_told_apart() -> None:
    plain = [name.lower() for name in columns()]
    assert len(plain) == len(set(plain))


def test_adverse_events_are_codes_of_ours() -> None:
    assert set(table("kinds")["adverse"]) <= set(own_codes("tolerance"))
