"""Reading a pair: sensible suggestions, monotone, capped, and never a clearance."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from linemap.errors import ArgumentError
from linemap.water import CAUSES, PairModel, ratio_interval, read_pair, read_pairs
from linemap.water.causes import SUGGESTIONS, WORDS, log_likelihoods

QUICK = settings(max_examples=60, deadline=None, derandomize=True)
READING = st.floats(0.001, 2000) | st.sampled_from([(0.0, 0.5), (0.0, 1.0), (0.0, 5.0), None])


def pair_table(*readings, verdict="usable"):
    ends = [
        (np.nan, np.nan) if r is None else (r, r) if isinstance(r, float | int) else r
        for pair in readings
        for r in pair
    ]
    array = np.array(ends, dtype=float).reshape(len(readings), 4)
    frame = pd.DataFrame(array, columns=["first_low", "first_high", "flushed_low", "flushed_high"])
    frame.insert(0, "kit_id", [f"K{i}" for i in range(len(readings))])
    frame.insert(1, "parcel_id", [f"P{i}" for i in range(len(readings))])
    frame["verdict"] = pd.Categorical(
        [verdict] * len(readings), categories=["usable", "usable_with_doubt", "not_usable"]
    )
    return frame


@pytest.mark.parametrize(
    ("first", "flushed", "suggests"),
    [
        ((0, 1), (0, 1), "neither"),
        (30.0, (0, 1), "premise"),
        ((0, 1), 12.0, "line"),
        (1.5, 15.0, "line"),
        (40.0, 20.0, "both"),
        (3.0, 1.0, "not told apart"),
        (30.0, None, "not told apart"),
        (None, 30.0, "not told apart"),
        (None, None, "not read"),
    ],
)
def test_obvious_pairs(first, flushed, suggests):
    assert read_pair(first, flushed).suggests == suggests


@pytest.mark.parametrize("kind", [np.int64, np.int32, np.float32, np.float64])
def test_numbers_of_any_kind_are_read(kind):
    assert read_pair(kind(30), kind(2)) == read_pair(30.0, 2.0)


def test_neither_bottle_clears_nothing():
    for pair in (((0, 1), (0, 1)), (1.5, 0.5)):
        words = read_pair(*pair).words
        assert "shows" not in words
        assert "no level of lead is known to be safe" in words


def test_every_word_says_what_cannot_be_ruled_out():
    assert set(WORDS) == set(SUGGESTIONS)
    assert all("cannot be ruled out" in words for words in WORDS.values())
    for name in ("neither", "premise", "not told apart", "not read"):
        assert "lead service line cannot be ruled out" in WORDS[name]


@QUICK
@given(READING, READING)
def test_no_pair_clears_a_home(first, flushed):
    found = read_pair(first, flushed)
    if found.suggests == "not read":
        assert all(np.isnan(share) for share in found.shares.values())
        return
    least, greatest = PairModel().bounds()
    assert sum(found.shares.values()) == pytest.approx(1)
    assert least - 1e-12 <= found.line_ratio <= greatest + 1e-12
    line = found.shares["line"] + found.shares["both"]
    assert line / (1 - line) == pytest.approx(found.line_ratio)
    assert line >= least / (1 + least) - 1e-12


@QUICK
@given(READING, st.floats(0.001, 2000), st.floats(1, 50))
def test_more_lead_in_the_flushed_bottle_never_speaks_against_the_line(first, flushed, factor):
    assert read_pair(first, flushed * factor).line_ratio >= read_pair(first, flushed).line_ratio


@QUICK
@given(st.floats(0.001, 2000), READING, st.floats(1, 50))
def test_more_lead_in_the_first_bottle_never_speaks_against_the_plumbing(first, flushed, factor):
    def premise(reading):
        return reading.shares["premise"] + reading.shares["both"]

    low, high = read_pair(first, flushed), read_pair(first * factor, flushed)
    assert premise(high) >= premise(low) - 1e-12
    assert high.line_ratio == pytest.approx(low.line_ratio)


@settings(QUICK, max_examples=20)
@given(st.lists(st.tuples(READING, READING), min_size=1, max_size=6), st.randoms())
def test_rows_are_read_one_by_one_in_any_order(readings, random):
    pairs = pair_table(*readings)
    found = read_pairs(pairs)
    order = list(range(len(readings)))
    random.shuffle(order)
    pd.testing.assert_frame_equal(read_pairs(pairs.iloc[order]), found.iloc[order])
    for row, (first, flushed) in zip(found.itertuples(), readings, strict=True):
        alone = read_pair(first, flushed)
        assert (row.suggests, row.words) == (alone.suggests, alone.words)
        np.testing.assert_allclose(
            [getattr(row, f"share_{cause}") for cause in CAUSES], list(alone.shares.values())
        )


def test_likelihoods_against_scipy():
    spread = (0.4, 3.0, 3.0)
    low = np.array([2.0, 0.0, 1.0, 0.0, np.nan])
    high = np.array([2.0, 1.0, 4.0, 0.01, np.nan])
    found = log_likelihoods(low, high, spread)
    for k, centre in enumerate(spread[:2]):
        law = stats.lognorm(np.log(3.0), scale=centre)
        expected = [
            np.log(law.cdf(b) - law.cdf(a)) for a, b in zip(low[1:4], high[1:4], strict=True)
        ]
        np.testing.assert_allclose(found[1:4, k], expected, rtol=1e-9)
        assert found[4, k] == 0
    ratio = stats.lognorm.logpdf(2.0, np.log(3.0), scale=3.0) - stats.lognorm.logpdf(
        2.0, np.log(3.0), scale=0.4
    )
    assert found[0, 1] - found[0, 0] == pytest.approx(ratio)


def test_a_kit_that_is_not_usable_is_not_read():
    found = read_pairs(pair_table((30.0, 30.0), verdict="not_usable")).iloc[0]
    assert found["suggests"] == "not read"
    assert np.isnan(found["line_ratio"])


def test_doubt_is_said():
    found = read_pairs(pair_table((30.0, 30.0), verdict="usable_with_doubt")).iloc[0]
    assert found["words"].endswith("The kit is in doubt.")


def test_local_threshold_and_intervals():
    pairs = pair_table((1.0, 6.0), (1.0, 2.0), (1.0, (0, 1)), (1.0, (0, 5)), (1.0, None))
    found = read_pairs(pairs, threshold=3.0)["above_control"]
    assert list(found) == ["yes", "no", "no", "not known", "not known"]
    assert set(read_pairs(pairs)["above_control"]) == {"not known"}


def test_a_flush_short_of_the_line_says_nothing_of_it():
    pairs = pair_table((1.0, 30.0), (1.0, 30.0))
    reach = pd.Series(["short of the line", "in the line"], index=pairs.index)
    found = read_pairs(pairs, reach=reach)
    assert found["line_ratio"].iloc[0] == 1
    assert found["line_ratio"].iloc[1] > 10


def test_settled_share_is_a_choice():
    strict = PairModel(settled_at=0.9)
    assert read_pair((0, 1), (0, 1), model=strict).suggests == "not told apart"


@pytest.mark.parametrize("reading", [(2, 1), -1.0, (-1, 3), 0.0, (0, 0)])
def test_readings_that_are_none(reading):
    with pytest.raises(ArgumentError, match=r"interval|exactly zero"):
        read_pair(1.0, reading)


@pytest.mark.parametrize(
    "changes",
    [
        {"first": (5.0, 2.0, 3.0)},
        {"flushed": (0.5, 2.0, 1.0)},
        {"sensitivity": 0.04},
        {"specificity": 1.0},
    ],
)
def test_models_that_make_no_sense(changes):
    with pytest.raises(ArgumentError):
        PairModel(**changes)


@QUICK
@given(st.floats(0.01, 100), st.floats(0.01, 100), st.sampled_from([0.5, 1.0, 5.0]))
def test_ratio_interval_holds_every_ratio_that_is_possible(first, flushed, limit):
    low, high = ratio_interval(first, first, 0.0, limit)
    hidden = min(flushed, limit)
    assert low <= first / hidden <= high
    assert high == np.inf
