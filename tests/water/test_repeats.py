"""Several kits of one home are one home."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from linemap.errors import ArgumentError, EvidenceError
from linemap.water import one_per_home, repeat_tests, within_home_spread


def repeats(*rows):
    """Rows: home, flushed low, flushed high, day."""
    frame = pd.DataFrame(rows, columns=["parcel_id", "flushed_low", "flushed_high", "collected_on"])
    frame.insert(0, "kit_id", [f"K{i}" for i in range(len(frame))])
    frame["verdict"] = "usable"
    frame["collected_on"] = pd.to_datetime(frame["collected_on"])
    frame["first_low"], frame["first_high"] = 1.0, 1.0
    return frame


PAIRS = repeats(
    ("A", 2.0, 2.0, "2026-03-01"),
    ("B", 3.0, 3.0, "2026-01-01"),
    ("A", 8.0, 8.0, "2026-02-01"),
    ("C", 0.0, 1.0, "2026-01-05"),
    ("C", 4.0, 4.0, None),
)


def test_highest_geometric_mean_and_spread():
    found = repeat_tests(PAIRS)
    assert list(found.index) == ["A", "C"]
    assert found.loc["A", "highest_high"] == 8
    assert found.loc["A", "geometric_mean_low"] == pytest.approx(4)
    assert found.loc["A", "gsd"] == pytest.approx(np.exp(np.std(np.log([2, 8]), ddof=1)))


def test_a_non_detect_leaves_an_interval():
    row = repeat_tests(PAIRS).loc["C"]
    assert (row["non_detects"], row["highest_low"], row["highest_high"]) == (1, 4, 4)
    assert row["geometric_mean_low"] == 0
    assert row["geometric_mean_high"] == pytest.approx(2)
    assert np.isnan(row["gsd"])


def test_unusable_kits_do_not_count():
    pairs = PAIRS.copy()
    pairs.loc[2, "verdict"] = "not_usable"
    assert list(repeat_tests(pairs).index) == ["C"]


def test_pooled_spread_against_scipy():
    rng = np.random.default_rng(8)
    homes = np.repeat(np.arange(60), 3)
    x = np.exp(rng.normal(1, 1, 60)[homes] + rng.normal(0, np.log(2.0), 180))
    pairs = repeats(*[(f"H{h}", v, v, "2026-01-01") for h, v in zip(homes, x, strict=True)])
    found = within_home_spread(pairs)
    within = np.log(x).reshape(60, 3)
    mean_square = ((within - within.mean(axis=1, keepdims=True)) ** 2).sum() / 120
    # The F statistic of a one-way analysis of variance has the same mean square below.
    f = stats.f_oneway(*within).statistic
    between = 3 * within.mean(axis=1).var(ddof=1)
    assert between / f == pytest.approx(mean_square)
    assert found.gsd == pytest.approx(np.exp(np.sqrt(mean_square)))
    assert found.low < 2.0 < found.high
    assert (found.homes, found.tests, found.homes_left_out) == (60, 180, 0)


def test_homes_with_non_detects_are_left_out_and_counted():
    found = within_home_spread(PAIRS)
    assert (found.homes, found.homes_left_out) == (1, 1)


def test_no_repeats_no_spread():
    with pytest.raises(EvidenceError, match="two measured results"):
        within_home_spread(PAIRS.iloc[[1, 3]])


@pytest.mark.parametrize(
    ("keep", "kits"),
    [
        ("earliest", ["K1", "K2", "K3"]),
        ("latest", ["K0", "K1", "K3"]),
        ("highest", ["K1", "K2", "K4"]),
    ],
)
def test_one_kit_speaks_for_a_home(keep, kits):
    assert list(one_per_home(PAIRS, keep=keep)["kit_id"]) == kits


def test_one_kit_of_a_home_in_any_order_of_rows():
    mixed = PAIRS.sample(frac=1, random_state=2)
    assert set(one_per_home(mixed)["kit_id"]) == set(one_per_home(PAIRS)["kit_id"])


def test_choices_that_do_not_exist():
    with pytest.raises(ArgumentError, match="earliest"):
        one_per_home(PAIRS, keep="lowest")
    with pytest.raises(ArgumentError, match="first or flushed"):
        repeat_tests(PAIRS, bottle="second")
