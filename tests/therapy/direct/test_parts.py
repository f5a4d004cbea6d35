"""Do parts give the measures of their papers, and does a fault name its element?"""

from __future__ import annotations

import math
import statistics
from contextlib import suppress
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest, variation

from service.rest.conversion import convert
from service.standard.validation import validate
from service.therapy.direct.derived import derived
from service.therapy.direct.formulas import FORMULAS
from service.therapy.direct.parts import Outcome, PartsError, outcomes, row_of, rows
from service.therapy.measures import MEASURES, known_measures
from tests.factories.course import quantity
from tests.factories.parts import drink, part, parted

Resource = dict[str, Any]


def made(resource: Resource) -> dict[str, Outcome]:
    """The outcomes by measure."""
    row = row_of(resource)
    assert row is not None
    return {outcome.measure.code: outcome for outcome in outcomes(row, resource, convert)}


def numbers(resource: Resource) -> dict[str, float]:
    return {code: outcome.number for code, outcome in made(resource).items()}


def beside(outcome: Outcome) -> dict[str, float]:
    return {each.code: each.number for each in outcome.beside}


def test_a_timed_drink_gives_the_three_indices() -> None:
    """Hughes and Wiles 1996: 150 mL in 9 s with 8 swallows; 100 of 150 mL in 10 s."""
    assert numbers(drink(150, 0, 9.0, 8)) == pytest.approx(
        {
            "water-swallow-capacity": 16.6667,
            "water-swallow-volume": 18.75,
            "water-swallow-time": 1.125,
        },
        abs=5e-5,
    )
    assert numbers(drink(150, 50, 10, 5))["water-swallow-capacity"] == pytest.approx(10)


def test_parts_in_other_units_are_converted() -> None:
    found = drink(0.15, 0, 9000, 8)
    found["component"][0]["valueQuantity"].update(code="L", unit="L")
    found["component"][2]["valueQuantity"].update(code="ms", unit="ms")
    assert numbers(found)["water-swallow-capacity"] == pytest.approx(150 / 9)


def test_the_best_press_counts() -> None:
    presses = [part("press", kpa, "kPa") for kpa in (21.5, 25.0, 23.1)]
    outcome = made(parted("tongue-presses", *presses))["tongue-pressure"]
    assert outcome.number == 25.0
    assert beside(outcome) == {"presses-made": 3}
    assert numbers(parted("lip-presses", *presses)) == {"lip-strength": 25.0}


@given(st.permutations([21.5, 25.0, 23.1, 19.0]))
def test_the_order_of_the_presses_does_not_matter(presses: list[float]) -> None:
    found = parted("tongue-presses", *(part("press", kpa, "kPa") for kpa in presses))
    assert numbers(found) == {"tongue-pressure": 25.0}


def test_endurance_from_a_sampled_press() -> None:
    """Worked by hand: half of 40 kPa is first undercut at the seventh sample, after 3 s."""
    trace = {
        "origin": quantity(0, "kPa"),
        "period": 500,
        "factor": 0.5,
        "dimensions": 1,
        "data": "80 76 E 60 50 44 41 39 60",
    }
    component = {"code": part("pressure-trace", None, "")["code"], "valueSampledData": trace}
    found = parted("tongue-hold", part("press", 40, "kPa"), component)
    assert [issue for issue in validate(found) if issue.severity == "error"] == []
    assert numbers(found) == {"tongue-endurance": 3.0}


@pytest.mark.parametrize(("left", "level"), [(0.5, 0), (1, 1), (4, 1), (4.1, 2), (9, 3), (10, 4)])
def test_flow_test(left: float, level: int) -> None:
    """Summary of the published chart; touching ends as decided in flow_test.py."""
    outcome = made(parted("flow-test", part("volume-left", left, "mL")))["flow-level"]
    assert outcome.number == level
    assert outcome.coded is not None
    assert "spoon and fork" in outcome.note


def test_rate_and_regularity_of_syllables() -> None:
    """Rates counted by hand (31 in 6.2 s; nine sequences of three in 5 s); SciPy's variation."""
    onsets = [0.0, 0.2, 0.41, 0.6, 0.83]
    run = (part("repetitions-counted", 31, "{count}"), part("time-taken", 6.2, "s"))
    beats = [part("syllable-onset", onset, "s") for onset in onsets]
    found = numbers(parted("amr-trial", *run, *beats))
    assert found["amr-rate"] == pytest.approx(5.0)
    gaps = [after - before for before, after in pairwise(onsets)]
    assert found["amr-irregularity"] == pytest.approx(100 * variation(gaps, ddof=1))
    run = (part("repetitions-counted", 9, "{count}"), part("time-taken", 5, "s"))
    assert numbers(parted("smr-trial", *run)) == pytest.approx({"smr-rate": 5.4})
    assert set(numbers(parted("smr-trial", *beats))) == {"smr-irregularity"}


def test_trial_accuracy_has_wilsons_interval() -> None:
    """Newcombe 1998, table I, method 3: 81 of 263 gives 0.2553 to 0.3662; SciPy for 16 of 20."""
    for wanted, trials in ((81, 263), (16, 20), (0, 20)):
        block = parted(
            "trial-block",
            part("trials", trials, "{count}"),
            part("wanted-trials", wanted, "{count}"),
        )
        outcome = made(block)["trial-accuracy"]
        ends = binomtest(wanted, trials).proportion_ci(0.95, "wilson")
        told = beside(outcome)
        assert outcome.number == pytest.approx(100 * wanted / trials)
        assert (told["low"], told["high"]) == pytest.approx((100 * ends.low, 100 * ends.high))
        if trials == 263:
            assert (told["low"], told["high"]) == pytest.approx((25.53, 36.62), abs=5e-3)


def test_swallow_delays_with_and_without_stimulus() -> None:
    """Mean, median and standard deviation of the statistics module; a trial without a swallow."""
    without, after = [3.1, 2.8, 3.4, 2.9], [2.2, 2.0, 2.3]
    found = made(
        parted(
            "swallow-delay-trials",
            *(part("delay-without-stimulus", s, "s") for s in without),
            *(part("delay-after-stimulus", s, "s") for s in [*after, None]),
        )
    )
    plain = found["swallow-delay"]
    assert plain.number == pytest.approx(statistics.fmean(without))
    assert beside(plain) == pytest.approx(
        {
            "swallow-delay-median": statistics.median(without),
            "swallow-delay-spread": statistics.stdev(without),
            "trials": 4,
        }
    )
    assert found["swallow-delay-after-stimulus"].number == pytest.approx(statistics.fmean(after))
    assert beside(found["swallow-delay-after-stimulus"])["trials"] == 3
    assert found["stimulus-effect"].number == pytest.approx(2.2 - 3.0)
    assert "1 trials without a swallow" in plain.note


@pytest.mark.parametrize(
    ("resource", "place", "words"),
    [
        (drink(150, 150, 9, 8), "component", "less left than given"),
        (drink(150, 0, 9, 7.5), "component", "whole numbers"),  # type: ignore[arg-type]
        (
            parted("timed-water-swallow", part("volume-given", 150, "mL")),
            "component",
            "seconds (time-taken) is missing",
        ),
        (
            parted("flow-test", part("volume-left", 4, "mL"), part("volume-left", 5, "mL")),
            "component",
            "2 times",
        ),
        (parted("flow-test", part("volume-left", 11, "mL")), "component", "0 to 10"),
        (
            parted("tongue-presses", part("press", 20, "kPa"), part("press", 25, "s")),
            "component[1].valueQuantity",
            "'s' cannot be kPa",
        ),
        (parted("tongue-presses", part("press", None, "kPa")), "component", "no part has"),
        (parted("trial-block", part("trials", 5, "{count}")), "component", "wanted"),
        (
            parted(
                "trial-block",
                part("trials", 5, "{count}"),
                part("wanted-trials", 6, "{count}"),
            ),
            "component",
            "no share",
        ),
    ],
)
def test_a_fault_names_its_element(resource: Resource, place: str, words: str) -> None:
    with pytest.raises(PartsError) as caught:
        made(resource)
    assert caught.value.place == place
    assert words in str(caught.value)


@given(
    st.lists(
        st.tuples(
            st.sampled_from(["press", "trials", "wanted-trials", "volume-left", "time-taken"]),
            st.one_of(st.none(), st.floats(-1e300, 1e300), st.just(0.0)),
            st.sampled_from(["kPa", "mL", "s", "{count}", "", "no-unit"]),
        ),
        max_size=6,
    ),
    st.sampled_from(sorted(rows())),
)
def test_whatever_the_parts_there_are_numbers_or_a_reason(
    components: list[tuple[str, float | None, str]], code: str
) -> None:
    found: dict[str, float] = {}
    with suppress(PartsError):
        found = numbers(parted(code, *(part(*each) for each in components)))
    assert all(math.isfinite(number) for number in found.values())


@pytest.mark.parametrize("code", sorted(rows()))
def test_every_row_leads_to_a_formula_and_to_known_codes(code: str) -> None:
    row = rows()[code]
    assert row["formula"] in FORMULAS
    assert (MEASURES, code) in known_measures()
    for each in row["parts"]:
        assert (MEASURES, each["code"]) in known_measures()
    for gives in row["gives"]:
        assert (MEASURES, gives["measure"]) in known_measures()
    assert row["source"]
    assert row["status"] in (
        "verified",
        "second-hand",
        "memory",
        "common practice, no source",
    )


def test_what_is_derived_is_valid_and_says_where_it_comes_from() -> None:
    parts = drink(
        150,
        0,
        18,
        8,
        encounter={"reference": "Encounter/e"},
        basedOn=[{"reference": "CarePlan/p1"}],
    )
    (capacity, *_) = outcomes(row_of(parts) or {}, parts, convert)
    found = derived(capacity, parts)
    assert validate(found) == []
    assert found["valueQuantity"]["value"] == pytest.approx(150 / 18)
    assert found["derivedFrom"] == [{"reference": "Observation/parts"}]
    assert found["encounter"] == parts["encounter"]
    assert "Hughes" in found["method"]["text"]
    assert found["referenceRange"][0]["low"]["value"] == 10
    assert found["interpretation"][0]["coding"][0]["code"] == "L"


def test_limits_that_disagree_are_both_told_without_a_judgement() -> None:
    """5.8 syllables a second: within the adult bound of 5.4, below the criterion of 6."""
    run = (part("repetitions-counted", 29, "{count}"), part("time-taken", 5, "s"))
    parts = parted("amr-trial", *run)
    (rate,) = outcomes(row_of(parts) or {}, parts, convert)
    found = derived(rate, parts)
    assert [each["low"]["value"] for each in found["referenceRange"]] == [5.4, 6]
    assert "interpretation" not in found
