"""Fixed values and patterns. Outside source: R4, ElementDefinition.fixed[x] and pattern[x]:
"exactly", "no more", against "must contain at least", "each item found in the array".
"""

from __future__ import annotations

from typing import Any

import pytest

from service.standard.codec import Number
from service.standard.profiles.values import contains, equals

CODING = {"system": "urn:s", "code": "c"}


@pytest.mark.parametrize(
    ("value", "wanted", "fixed", "pattern"),
    [
        ("a", "a", True, True),
        ("A", "a", False, False),
        ("é", "e", False, False),
        (1, 1, True, True),
        (Number("1.0"), 1, True, True),
        (1, True, False, False),
        (True, True, True, True),
        ("1", 1, False, False),
        (CODING, CODING, True, True),
        (CODING | {"display": "d"}, CODING, False, True),
        ({"code": "c"}, CODING, False, False),
        ({"coding": [CODING]}, {"coding": [CODING]}, True, True),
        ({"coding": [{"code": "x"}, CODING]}, {"coding": [CODING]}, False, True),
        ({"coding": [CODING | {"version": "1"}], "text": "t"}, {"coding": [CODING]}, False, True),
        ({"coding": []}, {"coding": [CODING]}, False, False),
        ({"text": "t"}, {"coding": [CODING]}, False, False),
        (["a", "b"], ["b", "a"], False, True),
        ("text", {"coding": [CODING]}, False, False),
    ],
)
def test_fixed_is_all_and_pattern_a_part(
    value: Any, wanted: Any, fixed: bool, pattern: bool
) -> None:
    assert equals(value, wanted) is fixed
    assert contains(value, wanted) is pattern
