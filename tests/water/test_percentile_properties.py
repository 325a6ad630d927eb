"""Properties of the rule's percentile: order, units, non-detects, its bootstrap interval."""

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from linemap.errors import ArgumentError
from linemap.water import percentile_90, rank_90
from linemap.water.percentiles import RANK_METHODS

QUICK = settings(max_examples=80, deadline=None, derandomize=True)

METHODS = st.sampled_from(RANK_METHODS)
RESULTS = st.lists(st.integers(0, 5000).map(lambda k: k / 100), min_size=1, max_size=60)


@QUICK
@given(RESULTS, METHODS, st.randoms())
def test_order_never_matters(results, method, random):
    shuffled = list(results)
    random.shuffle(shuffled)
    assert rank_90(shuffled, method=method) == rank_90(results, method=method)
    assert percentile_90(shuffled, method=method) == percentile_90(results, method=method)


@QUICK
@given(RESULTS, METHODS, st.sampled_from([1000, 2**-10]))
def test_units_never_matter(results, method, factor):
    scaled = [factor * x for x in results]
    assert rank_90(scaled, method=method) == pytest.approx(factor * rank_90(results, method=method))


@QUICK
@given(RESULTS, METHODS)
def test_a_further_non_detect_never_raises_it(results, method):
    assume(not (method == "next_rank" and len(results) == 5))
    below = [False] * len(results)
    before = percentile_90(results, below_limit=below, method=method)
    after = percentile_90([*results, 0.01], below_limit=[*below, True], method=method)
    assert after.value <= before.value


def test_the_rule_for_five_results_breaks_the_next_rank_method():
    """Five results take the mean of the two highest, six take rank 5.4, so the highest."""
    assert rank_90([0, 0, 0, 0, 4], method="next_rank") == 2
    assert rank_90([0, 0, 0, 0, 0, 4], method="next_rank") == 4


@QUICK
@given(RESULTS, METHODS, st.integers(0, 5000))
def test_a_further_high_result_never_lowers_it(results, method, more):
    top = max(results) + more
    assert rank_90([*results, top], method=method) >= rank_90(results, method=method)


@QUICK
@given(RESULTS, METHODS)
def test_it_lies_among_the_results_and_its_interval_around_it_is_sane(results, method):
    found = percentile_90(results, method=method)
    assert min(results) <= found.value <= max(results)
    assert found.exceeded == (found.value > found.action_level)
    if len(results) < 5:
        assert np.isnan(found.low)
        assert found.straddles
        assert "too few results" in str(found)
    else:
        assert min(results) <= found.low <= found.high <= max(results)
        assert found.straddles == (found.low <= found.action_level < found.high)


@pytest.mark.parametrize("method", RANK_METHODS)
@pytest.mark.parametrize("n", [5, 6, 23, 60])
def test_bootstrap_by_ranks_equals_plain_resampling(method, n):
    rng = np.random.default_rng(n)
    results = rng.lognormal(1, 1, n)
    found = percentile_90(results, method=method, draws=20_000, confidence=0.8)
    plain = [rank_90(row, method=method) for row in rng.choice(results, (4000, n))]
    # The shares of plain resamples at or below the ends must match the tails.
    assert np.mean(np.array(plain) < found.low) <= 0.1 + 0.025
    assert np.mean(np.array(plain) <= found.low) >= 0.1 - 0.025
    assert np.mean(np.array(plain) > found.high) <= 0.1 + 0.025
    assert np.mean(np.array(plain) >= found.high) >= 0.1 - 0.025


def test_the_seed_settles_the_interval():
    results = np.random.default_rng(0).lognormal(1, 1, 40)
    assert percentile_90(results, seed=4) == percentile_90(results, seed=4)


def test_an_interval_on_both_sides_of_the_level_is_told():
    results = [1.0] * 50 + [8.0, 9.0, 12.0, 14.0, 16.0, 18.0]
    found = percentile_90(results, level=10)
    assert found.straddles
    assert "both sides" in str(found)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"values": []}, "no results"),
        ({"values": [1.0, np.nan]}, "missing"),
        ({"values": [1.0, -2.0]}, "negative"),
        ({"values": [1.0], "below_limit": [True, False]}, "same length"),
        ({"values": [1.0], "method": "type 7"}, "interpolate, half_up, half_even, next_rank"),
        ({"values": [1.0], "edition": "LCRX"}, "LCR, LCRR, LCRI"),
        ({"values": [1.0], "confidence": 1.0}, "confidence"),
        ({"values": [1.0], "rounding": "tenths"}, "rounding"),
    ],
)
def test_what_cannot_be_computed_is_said(options, message):
    with pytest.raises(ArgumentError, match=message):
        percentile_90(options.pop("values"), **options)
