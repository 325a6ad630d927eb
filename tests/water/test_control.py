"""Local control homes: threshold, its interval, and when it is refused."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from linemap.errors import ArgumentError, EvidenceError
from linemap.water import control_threshold


def controls(values, below=None, homes=None):
    values = np.asarray(values, float)
    below = np.zeros(values.size, bool) if below is None else np.asarray(below)
    homes = [f"P{i}" for i in range(values.size)] if homes is None else homes
    return pd.DataFrame(
        {
            "kit_id": [f"K{i}" for i in range(values.size)],
            "parcel_id": homes,
            "verdict": "usable",
            "flushed_low": np.where(below, 0, values),
            "flushed_high": values,
        }
    )


def test_threshold_holds_the_share_asked_for():
    pairs = controls(range(1, 101))
    found = control_threshold(pairs, pairs["parcel_id"])
    assert found.value == 95
    assert found.reached == 0.95
    assert found.homes == 100
    low, high = stats.binomtest(95, 100).proportion_ci(0.95, method="exact")
    assert (found.reached_low, found.reached_high) == pytest.approx((low, high))
    # Order statistics 90 and 100 leave at most 2.5 % on each side of the 95 % point.
    assert stats.binom.cdf(89, 100, 0.95) <= 0.025 < stats.binom.cdf(90, 100, 0.95)
    assert stats.binom.cdf(98, 100, 0.95) < 0.975 <= stats.binom.cdf(99, 100, 0.95)
    assert (found.low, found.high) == (90, 100)


def test_interval_of_the_threshold_covers_the_truth():
    rng = np.random.default_rng(2)
    truth = stats.lognorm.ppf(0.95, 1.0)
    held = 0
    for _ in range(100):
        pairs = controls(rng.lognormal(0, 1.0, 150))
        found = control_threshold(pairs, pairs["parcel_id"])
        held += found.low <= truth <= found.high
    assert held >= 89  # 95 % of 100, less three standard errors


def test_few_homes_bound_no_upper_end():
    pairs = controls(range(1, 21))
    found = control_threshold(pairs, pairs["parcel_id"])
    assert found.value == 19
    assert found.high == np.inf
    assert "no upper bound" in str(found)
    assert "does not rule out" in str(found)


def test_refused_below_twenty_homes():
    pairs = controls(range(1, 21))
    with pytest.raises(EvidenceError, match="only 19 homes"):
        control_threshold(pairs, pairs["parcel_id"][:-1])
    with pytest.raises(EvidenceError, match="only 0 homes"):
        control_threshold(pairs, [])


def test_repeats_do_not_make_twenty_homes():
    pairs = controls(range(1, 31), homes=[f"P{i % 15}" for i in range(30)])
    with pytest.raises(EvidenceError, match="only 15 homes"):
        control_threshold(pairs, pairs["parcel_id"])


def test_the_highest_of_several_kits_speaks_for_the_home():
    pairs = controls([*range(1, 21), 50], homes=[*[f"P{i}" for i in range(20)], "P0"])
    found = control_threshold(pairs, pairs["parcel_id"], specificity=0.99)
    assert found.value == 50
    assert found.homes == 20


def test_unusable_kits_and_missing_bottles_do_not_count():
    pairs = controls(range(1, 23))
    pairs.loc[0, "verdict"] = "not_usable"
    pairs.loc[1, ["flushed_low", "flushed_high"]] = np.nan
    assert control_threshold(pairs, pairs["parcel_id"]).homes == 20


def test_non_detects_count_at_their_limit():
    pairs = controls([1.0] * 30 + [2.0] * 2, below=[True] * 30 + [False] * 2)
    found = control_threshold(pairs, pairs["parcel_id"], specificity=0.9)
    assert found.value == 1
    assert found.non_detects == 30


def test_order_of_rows_never_matters():
    pairs = controls(np.random.default_rng(1).lognormal(0, 1, 60))
    mixed = pairs.sample(frac=1, random_state=3)
    assert control_threshold(pairs, pairs["parcel_id"]) == control_threshold(
        mixed, mixed["parcel_id"]
    )


def test_shares_out_of_range():
    pairs = controls(range(1, 30))
    with pytest.raises(ArgumentError, match="between 0 and 1"):
        control_threshold(pairs, pairs["parcel_id"], specificity=95)
