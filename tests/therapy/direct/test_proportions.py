"""Wilson's interval against the values of the paper and of R."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.therapy.direct.proportions import share


@pytest.mark.parametrize(
    ("wanted", "offered", "low", "high"),
    [
        # Newcombe 1998, Stat Med 17:857-872, table I, method 3
        (81, 263, 0.2553, 0.3662),
        (0, 20, 0.0, 0.1611),
        (29, 29, 0.8830, 1.0),
        # R, prop.test without correction, quoted in SciPy's tests
        (3, 10, 0.1078, 0.6032),
        (0, 10, 0.0, 0.2775),
        (10, 10, 0.7225, 1.0),
        (19, 38, 0.3485, 0.6515),
    ],
)
def test_published_intervals(wanted: int, offered: int, low: float, high: float) -> None:
    found = share(wanted, offered)
    assert found is not None
    assert found.low == pytest.approx(low, abs=6e-5)
    assert found.high == pytest.approx(high, abs=6e-5)


def test_nothing_offered_is_no_share_and_contradictions_are_refused() -> None:
    assert share(0, 0) is None
    for counts in ((3, 2), (-1, 2), (0, -1)):
        with pytest.raises(ValueError, match="no share"):
            share(*counts)


@given(st.integers(1, 400), st.data())
def test_the_interval_holds_the_share_and_mirrors(offered: int, data: st.DataObject) -> None:
    wanted = data.draw(st.integers(0, offered))
    found, mirrored = share(wanted, offered), share(offered - wanted, offered)
    assert found is not None
    assert mirrored is not None
    assert found.low is not None
    assert found.high is not None
    assert mirrored.high is not None
    assert -1e-12 <= found.low <= found.value + 1e-12
    assert found.value - 1e-12 <= found.high <= 1 + 1e-12
    assert found.low == pytest.approx(1 - mirrored.high, abs=1e-9)
