"""Outside sources: RFC 8259 and RFC 7493 (what is JSON), R4 page "Datatypes", decimal (precision
is kept), and the standard library's own reader as the oracle for ordinary values."""

from __future__ import annotations

import copy
import json
import pickle
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.errors import Malformed, TooLarge
from service.standard.codec import Number, decode, decode_resource, encode, indent, same

AS_WRITTEN = [
    "1.00",
    "-0",
    "-0.0",
    "1E+2",
    "1e-22",
    "0.000",
    "1.000000000000000000E-245",
    "123456789012345678901234567890",
    "9223372036854775807",
    "9223372036854775808",
    "-9223372036854775808",
    "-9223372036854775809",
    "9999999999999999999999.10",
]


@pytest.mark.parametrize("literal", AS_WRITTEN)
def test_numbers_come_back_as_they_were_written(literal: str) -> None:
    raw = f'{{"value":{literal}}}'.encode()
    assert encode(decode(raw)) == raw
    assert literal in indent(raw).decode()


def test_integers_of_64_bit_are_ints_and_all_others_numbers() -> None:
    value = decode(b"[1,-9223372036854775808,9223372036854775807,9223372036854775808,1.0,-0]")
    assert [type(item) for item in value] == [int, int, int, Number, Number, Number]


def test_a_number_is_a_decimal_that_survives_copying() -> None:
    number = Number("1.50e0")
    assert number == Decimal("1.5")
    assert hash(number) == hash(Decimal("1.5"))
    for twin in (copy.copy(number), copy.deepcopy([number])[0], Number(number)):
        assert twin.literal == "1.50e0"
    assert pickle.loads(pickle.dumps(number)).literal == "1.50e0"


def test_elements_keep_their_order() -> None:
    raw = b'{"z":1,"a":{"y":[],"b":null},"m":true}'
    assert encode(decode(raw)) == raw


REFUSED = {
    "empty": (b"", "line 1, column 1"),
    "not JSON": (b'{\n "a": [1 2]\n}', "line 2, column 10"),
    "duplicate name": (b'{"a":1,"a":2}', "line 1, column 8"),
    "duplicate name further in": (b'{"a":{"b":1},\n"c":[{"b":1,\n"b":2}]}', "line 3, column 1"),
    "duplicate name, escaped": (b'{"a":1,"\\u0061":2}', "line 1, column 8"),
    "NaN": (b"[1, NaN]", "line 1, column 5"),
    "Infinity": (b'{"a":-Infinity}', "line 1, column 6"),
    "byte order mark": (b"\xef\xbb\xbf{}", "line 1, column 1"),
    "invalid UTF-8": (b'{"a":"\xc3\xa4\xff"}', "line 1, column 8"),
    "overlong UTF-8": (b'"\xc0\x80"', "line 1, column 2"),
    "UTF-16": ('{"a":1}'.encode("utf-16"), "line 1, column 1"),
    "lone surrogate": (b'{"a":"\\ud800"}', "line 1, column 6"),
    "surrogates the wrong way round": (b'["\\udc00\\ud800"]', "line 1, column 2"),
    "control character": (b'{"a":"\x01"}', "line 1, column 7"),
    "absurd exponent": (b"[1e99999999]", "line 1, column 2"),
    "unreadable exponent": (b"[1e" + b"9" * 30 + b"]", "line 1, column 2"),
    "endless integer": (b"[" + b"9" * 5000 + b"]", "line 1, column 2"),
    "too deep": (b"[" * 101 + b"]" * 101, "line 1, column 101"),
    "far too deep": (b"[" * 100_000 + b"]" * 100_000, "line 1, column 101"),
    "too deep and never closed": (b'{"a":' * 5000, "line 1, column 501"),
    "deep behind brackets in strings": (b'["]\\"]",' * 101 + b"1" + b"]" * 101, "column 801"),
    "trailing comma": (b'{"a":1,}', "line 1, column 8"),
    "two values": (b"{}{}", "line 1, column 3"),
}


@pytest.mark.parametrize("case", REFUSED)
def test_what_is_no_strict_json_is_refused_with_its_place(case: str) -> None:
    raw, where = REFUSED[case]
    with pytest.raises(Malformed) as caught:
        decode(raw)
    assert where in str(caught.value.issues[0].location)


ACCEPTED = [
    b"[" * 100 + b"]" * 100,
    b'["' + b"[" * 500 + b'"]',
    b"[" + b"[{}]," * 500 + b"1]",
    b'["\\\\ud800", "\\ud83d\\ude00"]',
    b'[{"a":1},{"a":1}]',
    b'{"a":{"a":{"a":"a"}},"b":"a"}',
    b'{"a":"x\\"","b":"a"}',
    b"[1e9999]",
    b"null",
]


@pytest.mark.parametrize("raw", ACCEPTED)
def test_odd_but_strict_json_is_accepted(raw: bytes) -> None:
    assert decode(raw) == json.loads(raw, parse_float=Decimal)


def test_a_body_past_the_limit_is_too_large() -> None:
    with pytest.raises(TooLarge):
        decode(b"[1,2,3]", max_bytes=6)
    assert decode(b"[1,2,3]", max_bytes=7) == [1, 2, 3]


@pytest.mark.parametrize("raw", [b"[]", b"null", b'"Patient"', b"{}", b'{"resourceType":7}'])
def test_a_resource_is_an_object_with_a_type(raw: bytes) -> None:
    with pytest.raises(Malformed):
        decode_resource(raw)


def test_the_text_of_a_refusal_does_not_repeat_long_input() -> None:
    name = b'"' + b"a" * 10_000 + b'"'
    with pytest.raises(Malformed) as caught:
        decode(b"{" + name + b":1," + name + b":2}")
    assert len(caught.value.issues[0].text) < 120


JSON = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**63), 2**63 - 1) | st.text(),
    lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
    max_leaves=30,
)


@given(JSON)
def test_ordinary_values_are_read_as_the_standard_library_reads_them(value: Any) -> None:
    for raw in (json.dumps(value).encode(), json.dumps(value, ensure_ascii=False).encode()):
        assert decode(raw) == value
    assert decode(encode(value)) == value
    assert same(value, copy.deepcopy(value))


@given(st.binary(max_size=60) | st.text('[]{}",:\\ud8c0019.eE-+NaNtrue \n').map(str.encode))
def test_any_bytes_are_read_or_refused(raw: bytes) -> None:
    refusals: list[Malformed] = []
    try:
        decode(raw)
    except Malformed as refusal:
        refusals.append(refusal)
    assert all(refusal.issues[0].location for refusal in refusals)


def test_sameness_goes_by_the_written_number_and_not_by_order() -> None:
    assert same(decode(b'{"a":1,"b":[1.0]}'), decode(b'{"b":[1.0],"a":1}'))
    assert not same(decode(b"[1.0]"), decode(b"[1.00]"))
    assert not same(decode(b"[1]"), decode(b"[1.0]"))
    assert not same([True], [1])
    assert not same([1], [1, 2])
    assert not same({"a": None}, {})


def test_what_has_no_json_form_is_not_written() -> None:
    with pytest.raises(TypeError):
        encode({"a": object()})
    with pytest.raises(TypeError):
        encode([Decimal("NaN")])
