"""Bodies that are no FHIR JSON. (RFC 8259; R4, JSON Representation of Resources)"""

from __future__ import annotations

from tests.contract.asked import Bad, sent

_AT_START = "line 1, column 1"
_HEAD = b'{"resourceType":"Patient",'


def _patient(name: str, raw: bytes, where: str, status: int = 400, code: str = "structure") -> Bad:
    return sent(name, "POST", "Patient", raw, status, code, where)


ROWS = [
    _patient("empty body", b"", _AT_START),
    _patient("white space only", b" \n ", "line 2, column 2"),
    _patient("not JSON", b"hello", _AT_START),
    _patient("XML", b'<Patient xmlns="http://hl7.org/fhir"/>', _AT_START),
    _patient("cut off", b'{"resourceType":"Patient"', "line 1, column 26"),
    _patient("comma at the end", _HEAD + b"}", "line 1, column 27"),
    _patient("single quotes", b"{'resourceType':'Patient'}", "line 1, column 2"),
    _patient("comment", _HEAD + b'//x\n"active":true}', "line 1, column 27"),
    _patient("two JSON values", b'{"resourceType":"Patient"} {}', "line 1, column 28"),
    _patient("byte order mark", b'\xef\xbb\xbf{"resourceType":"Patient"}', _AT_START),
    _patient("UTF-16", '{"resourceType":"Patient"}'.encode("utf-16"), _AT_START),
    _patient("Latin-1", _HEAD + b'"id":"\xe9"}', "line 1, column 33"),
    _patient("overlong UTF-8", _HEAD + b'"id":"\xc0\xaf"}', "line 1, column 33"),
    _patient("surrogate in UTF-8", _HEAD + b'"id":"\xed\xa0\x80"}', "line 1, column 33"),
    _patient("line break in a string", _HEAD + b'"id":"a\nb"}', "line 1, column 34"),
    _patient("NUL in a string", _HEAD + b'"id":"a\x00b"}', "line 1, column 34"),
    _patient("name twice", _HEAD + b'\n"active":true,\n"active":true}', "line 3, column 1"),
    _patient("name twice, deep", _HEAD + b'"name":[{"text":"a","text":"b"}]}', "line 1, column 47"),
    _patient("name twice, escaped", _HEAD + b'"\\u0069d":"a","id":"b"}', "line 1, column 41"),
    _patient("NaN", _HEAD + b'"multipleBirthInteger":NaN}', "line 1, column 50"),
    _patient("Infinity", _HEAD + b'"multipleBirthInteger":Infinity}', "line 1, column 50"),
    _patient("minus Infinity", _HEAD + b'"multipleBirthInteger":-Infinity}', "line 1, column 50"),
    _patient("leading zero", _HEAD + b'"multipleBirthInteger":01}', "line 1, column 51"),
    _patient("plus sign", _HEAD + b'"multipleBirthInteger":+1}', "line 1, column 50"),
    _patient("hexadecimal", _HEAD + b'"multipleBirthInteger":0x1}', "line 1, column 51"),
    _patient("bare point", _HEAD + b'"multipleBirthInteger":.5}', "line 1, column 50"),
    _patient("absurd exponent", _HEAD + b'"x":1e999999999}', "line 1, column 31"),
    _patient("thousands of digits", _HEAD + b'"x":' + b"9" * 4000 + b"}", "line 1, column 31"),
    _patient("half a surrogate pair", _HEAD + b'"id":"\\ud83d"}', "line 1, column 32"),
    _patient("surrogates reversed", _HEAD + b'"id":"\\udc00\\ud800"}', "line 1, column 32"),
    _patient("bad escape", _HEAD + b'"id":"\\x41"}', "line 1, column 33"),
    _patient("101 deep", b"[" * 101 + b"]" * 101, "line 1, column 101"),
    _patient("half a million deep", b'{"a":' * 500_000, "line 1, column 501"),
    _patient("an array", b"[]", _AT_START),
    _patient("an array of resources", b'[{"resourceType":"Patient"}]', _AT_START),
    _patient("a string", b'"Patient"', _AT_START),
    _patient("null for a resource", b"null", _AT_START),
    _patient("a number", b"0", _AT_START),
    _patient("no type", b"{}", "resourceType"),
    _patient("type null", b'{"resourceType":null}', "resourceType"),
    _patient("type a number", b'{"resourceType":1}', "resourceType"),
    _patient("type empty", b'{"resourceType":""}', "resourceType"),
    _patient("type a list", b'{"resourceType":["Patient"]}', "resourceType"),
    _patient("type unknown", b'{"resourceType":"Pacient"}', "resourceType", code="value"),
    _patient("another type", b'{"resourceType":"Group"}', "resourceType", code="value"),
    _patient("type in lower case", b'{"resourceType":"patient"}', "resourceType", code="value"),
    sent("not JSON in an update", "PUT", "Patient/a", b"{", 400, "structure", "line 1, column 2"),
    sent("not JSON in a Bundle", "POST", "", b"{", 400, "structure", "line 1, column 2"),
    sent("array for a Bundle", "POST", "", b"[]", 400, "structure", _AT_START),
    sent(
        "not JSON to validate",
        "POST",
        "Patient/$validate",
        b"{",
        400,
        "structure",
        "line 1, column 2",
    ),
]
