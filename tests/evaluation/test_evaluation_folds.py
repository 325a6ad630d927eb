"""Folds: who is hidden, who is judged, and how far away the nearest visible check is."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import wasserstein_distance
from sklearn.gaussian_process.kernels import Matern

from linemap.evaluation.folds import (
    block_folds,
    fitting_block_m,
    fold_distances,
    matched_folds,
    random_folds,
    time_splits,
)
from linemap.evaluation.space import block_numbers, nearest_distance, spatial_range


@pytest.fixture
def checked() -> pd.DataFrame:
    """Checks in tight clusters along a few streets of a wide city."""
    rng = np.random.default_rng(8)
    centres = rng.uniform(0, 8000, (25, 2))
    xy = centres[rng.integers(0, 25, 500)] + rng.normal(0, 60, (500, 2))
    return pd.DataFrame(
        {
            "x": xy[:, 0],
            "y": xy[:, 1],
            "judged": rng.random(500) < 0.9,
            "checked_on": pd.Timestamp("2019-01-01")
            + pd.to_timedelta(rng.integers(0, 900, 500), unit="D"),
        },
        index=[f"H{i}" for i in range(500)],
    )


@pytest.fixture
def asked() -> pd.DataFrame:
    rng = np.random.default_rng(9)
    return pd.DataFrame(rng.uniform(0, 8000, (3000, 2)), columns=["x", "y"])


def _fold_of(protocol, index) -> np.ndarray:
    fold = pd.Series(-1, index=index)
    for number, split in enumerate(protocol.splits):
        assert (fold[split.hidden] == -1).all(), "a home is hidden twice"
        fold[split.hidden] = number
    return fold.to_numpy()


def _all_protocols(checked, asked):
    def rng():
        return np.random.default_rng(1)

    return [
        random_folds(checked, folds=5, rng=rng()),
        block_folds(checked, size_m=900, folds=5, rng=rng()),
        matched_folds(checked, asked, folds=5, rng=rng()),
    ]


def test_every_home_is_hidden_once_and_judged_only_while_hidden(checked, asked):
    for protocol in _all_protocols(checked, asked):
        fold = _fold_of(protocol, checked.index)
        assert (fold >= 0).all()
        assert np.bincount(fold).max() <= 2 * len(checked) / 5
        judged = [home for split in protocol.splits for home in split.judged]
        assert sorted(judged) == sorted(checked.index[checked["judged"]])
        assert all(split.judged.isin(split.hidden).all() for split in protocol.splits)


def test_every_protocol_says_that_records_are_evidence_and_never_labels(checked, asked):
    for protocol in [*_all_protocols(checked, asked), time_splits(checked)]:
        assert "stay usable as evidence" in protocol.text
        assert "never used as the label" in protocol.text


def test_there_are_never_more_folds_than_homes(checked, asked):
    few = checked.iloc[:22].assign(judged=True)
    for protocol in (
        random_folds(few, folds=25, rng=np.random.default_rng(1)),
        matched_folds(few, asked, folds=25, rng=np.random.default_rng(1)),
    ):
        assert protocol.facts["folds"] == 22
        assert (_fold_of(protocol, few.index) >= 0).all()


def test_homes_at_one_spot_are_hidden_together(checked):
    twin = checked.copy()
    twin.index = twin.index + "b"
    both = pd.concat([checked, twin])
    fold = _fold_of(random_folds(both, folds=5, rng=np.random.default_rng(0)), both.index)
    assert (fold[:500] == fold[500:]).all()


def test_homes_at_one_spot_are_hidden_together_in_matched_folds_too():
    """Two homes on each spot, and the homes asked about beside them: single spots match best."""
    rng = np.random.default_rng(8)
    xy = np.tile(rng.uniform(0, 8000, (200, 2)), (2, 1))
    xy[200:] += 0.3 * np.sign(xy[200:].round() - xy[200:])
    twins = pd.DataFrame({"x": xy[:, 0], "y": xy[:, 1], "judged": True})
    beside = pd.DataFrame(xy[rng.integers(0, 400, 1500)] + rng.normal(0, 5, (1500, 2)))
    beside.columns = ["x", "y"]
    fold = _fold_of(matched_folds(twins, beside, folds=5, rng=rng), twins.index)
    assert (fold[:200] == fold[200:]).all()


def test_there_are_never_more_matched_folds_than_spots(asked):
    """Twenty homes in one house and one home each in three others."""
    x = np.r_[np.zeros(20), 500.0, 1000.0, 1500.0]
    house = pd.DataFrame({"x": x, "y": 0.0, "judged": True})
    protocol = matched_folds(house, asked, folds=5, rng=np.random.default_rng(1))
    assert protocol.facts["folds"] == 4
    assert len(set(_fold_of(protocol, house.index)[:20])) == 1


def test_blocks_are_kept_whole(checked):
    rng = np.random.default_rng(2)
    protocol = block_folds(checked, size_m=1000, folds=5, rng=rng)
    shift = np.random.default_rng(2).random(2)
    block = block_numbers(
        checked["x"].to_numpy(), checked["y"].to_numpy(), 1000, (shift[0], shift[1])
    )
    fold = _fold_of(protocol, checked.index)
    assert pd.Series(fold).groupby(block).nunique().max() == 1
    assert protocol.facts["blocks"] == len(set(block))


def test_the_text_says_how_blocks_lie_to_the_range(checked):
    """A text that always promised blocks as large as the range would fail here."""
    said = {
        size: block_folds(
            checked, size_m=size, folds=5, rng=np.random.default_rng(1), range_m=1200.0
        ).text
        for size in (1200.0, 700.0)
    }
    assert "at least as large" in said[1200.0]
    assert "at least as large" not in said[700.0]
    assert "The blocks are smaller" in said[700.0]
    assert all("1,200 m" in text for text in said.values())
    unknown = block_folds(checked, size_m=700, folds=5, rng=np.random.default_rng(1)).text
    assert "could not be told" in unknown


def test_matched_folds_are_closer_to_real_use_than_random_ones(checked, asked):
    xy = checked[["x", "y"]].to_numpy()
    goal = nearest_distance(asked[["x", "y"]].to_numpy(), xy)
    mismatch = {}
    for protocol in _all_protocols(checked, asked):
        fold = _fold_of(protocol, checked.index)
        mismatch[protocol.name] = wasserstein_distance(fold_distances(xy, fold), goal)
    assert mismatch["matched"] < 0.6 * mismatch["random"]
    assert mismatch["matched"] <= mismatch["blocks"]


def test_matched_folds_stay_random_where_checks_are_spread_like_the_homes(asked):
    # the homes asked about lie as near to a check as the checks to each other
    spread = asked.iloc[:600].assign(judged=True)
    spread.index = [f"H{i}" for i in range(600)]
    protocol = matched_folds(spread, asked.iloc[600:], folds=10, rng=np.random.default_rng(1))
    assert protocol.facts["block_m"] < 250
    assert protocol.facts["mismatch_m"] < 25


def test_fold_distances_by_hand():
    xy = np.array([[0.0, 0], [3, 4], [0, 1], [10, 0]])
    fold = np.array([0, 1, 0, 1])
    np.testing.assert_allclose(fold_distances(xy, fold), [5, np.hypot(3, 3), np.hypot(3, 3), 10])


def test_time_never_lets_the_future_speak(checked):
    protocol = time_splits(checked)
    assert len(protocol.splits) == 2
    day = checked["checked_on"]
    for split in protocol.splits:
        visible = checked.index.difference(split.hidden)
        assert day[visible].max() < day[split.judged].min()
    first, second = (set(split.judged) for split in protocol.splits)
    assert not first & second


def test_homes_without_a_date_are_hidden_and_not_judged(checked):
    checked.loc["H0", "checked_on"] = pd.NaT
    for split in time_splits(checked).splits:
        assert "H0" in split.hidden
        assert "H0" not in split.judged


def test_no_dates_no_protocol(checked):
    assert time_splits(checked.assign(checked_on=pd.NaT)) is None
    assert time_splits(checked.assign(checked_on=pd.Timestamp("2020-05-01"))) is None


def test_block_edge_shrinks_only_as_far_as_needed(checked):
    assert fitting_block_m(checked, wanted_m=500, folds=5) == 500
    size = fitting_block_m(checked, wanted_m=6000, folds=5)
    assert size < 6000
    x, y = checked["x"].to_numpy(), checked["y"].to_numpy()
    assert block_numbers(x, y, size, (0.0, 0.0)).max() + 1 >= 15
    assert block_numbers(x, y, size / 0.9, (0.0, 0.0)).max() + 1 < 15


def test_range_of_a_known_field_is_found():
    # an exponential covariance with practical range 3 x 200 m = 600 m and a third of nugget
    ranges = []
    for seed in range(6):
        rng = np.random.default_rng(seed)
        xy = rng.uniform(0, 4000, (900, 2))
        covariance = Matern(length_scale=200, nu=0.5)(xy)
        field = np.linalg.cholesky(covariance + 1e-8 * np.eye(900)) @ rng.normal(size=900)
        value = field + np.sqrt(0.5) * rng.normal(size=900)
        found = spatial_range(xy[:, 0], xy[:, 1], value, rng=rng)
        ranges.append(found.range_m)
        assert 0.3 < found.structured < 0.95
    assert 400 < np.median(ranges) < 900


def test_no_range_without_spatial_structure():
    rng = np.random.default_rng(5)
    xy = rng.uniform(0, 4000, (40, 2))
    assert np.isnan(spatial_range(xy[:, 0], xy[:, 1], np.ones(40), rng=rng).range_m)
    spot, value = np.zeros(40), np.arange(40) % 2.0
    assert np.isnan(spatial_range(spot, spot, value, rng=rng).range_m), "all in one place"
    assert spatial_range(xy[:10, 0], xy[:10, 1], rng.random(10), rng=rng).pairs == 0
