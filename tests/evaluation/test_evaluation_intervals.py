"""Intervals: exact coverage by enumeration, agreement with scipy, blocks kept whole."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from scipy.stats import binomtest, hypergeom

from linemap.errors import ArgumentError
from linemap.evaluation.intervals import (
    block_share_interval,
    block_weights,
    finite_population_interval,
    percentiles,
    share_interval,
)
from linemap.evaluation.measures import auc


@pytest.mark.parametrize(("found", "looked"), [(0, 12), (3, 40), (40, 40), (17, 160)])
def test_share_interval_agrees_with_scipy(found, looked):
    for ours, theirs in (("wilson", "wilson"), ("exact", "exact")):
        reference = binomtest(found, looked).proportion_ci(0.95, method=theirs)
        assert share_interval(found, looked, method=ours) == pytest.approx(
            (reference.low, reference.high), abs=1e-9
        )


@pytest.mark.parametrize(("pool", "looked"), [(40, 10), (50, 20), (30, 30)])
def test_finite_population_interval_covers_every_truth(pool, looked):
    interval = [finite_population_interval(k, looked, pool) for k in range(looked + 1)]
    for truth in range(pool + 1):
        coverage = sum(
            hypergeom.pmf(found, pool, truth, looked)
            for found in range(looked + 1)
            if interval[found][0] <= truth <= interval[found][1]
        )
        assert coverage >= 0.95 - 1e-12


def test_looking_everywhere_leaves_no_doubt():
    assert finite_population_interval(7, 50, 50) == (7, 7)


def test_finite_population_interval_nears_the_endless_one():
    low, high = finite_population_interval(30, 200, 2_000_000)
    assert (low / 2e6, high / 2e6) == pytest.approx(
        share_interval(30, 200, method="exact"), abs=2e-4
    )


@pytest.mark.parametrize("counts", [(5, 4, 10), (-1, 4, 10), (1, 11, 10)])
def test_counts_that_contradict_each_other_are_refused(counts):
    with pytest.raises(ArgumentError, match="check the counts"):
        finite_population_interval(*counts)


def test_share_of_nothing_is_unknown_and_nonsense_is_refused():
    assert share_interval(0, 0) == (0.0, 1.0)
    with pytest.raises(ArgumentError, match="check the counts"):
        share_interval(3, 2)


def test_blocks_are_drawn_whole():
    blocks = np.array([4, 4, 9, 9, 9, 1])
    counts = block_weights(blocks, 50, np.random.default_rng(0))
    assert (counts[:, 0] == counts[:, 1]).all()
    assert (counts[:, [2]] == counts[:, 3:5]).all()
    assert (counts[:, [0, 2, 5]].sum(axis=1) == 3).all()


def test_few_blocks_or_few_values_give_no_interval():
    values = np.arange(100.0)
    assert np.isfinite(percentiles(values, 10)).all()
    assert np.isnan(percentiles(values, 9)).all()
    assert np.isnan(percentiles(np.where(values < 60, np.nan, values), 19)).all()


def test_bootstrap_interval_of_auc_covers_the_truth():
    # scores of lead homes are normal, one sd above the others: AUC = Phi(1 / sqrt 2) = .7602
    rng = np.random.default_rng(3)
    inside = 0
    for _ in range(150):
        label = (rng.random(240) < 0.4).astype(float)
        score = rng.normal(label, 1)
        block = np.arange(240) // 4
        draws = auc(label, score, block_weights(block, 150, rng))
        low, high = percentiles(draws, 60)
        inside += low <= 0.7602 <= high
    assert 0.88 <= inside / 150 <= 0.99


def test_block_bootstrap_is_wider_where_neighbours_are_alike():
    rng = np.random.default_rng(4)
    block = np.repeat(np.arange(40), 10)
    label = (rng.random(40) < 0.4).astype(float)[block]
    score = rng.normal(0, 1, 40)[block] + label
    spread = [
        np.ptp(percentiles(auc(label, score, block_weights(b, 300, rng)), 40))
        for b in (block, np.arange(400))
    ]
    assert spread[0] > 2 * spread[1]


def test_homes_of_a_block_count_as_one_draw_of_the_block():
    """The design effect is that of a mean with errors clustered by block (statsmodels)."""
    rng = np.random.default_rng(5)
    block = np.repeat(np.arange(30), 10)
    label = (rng.random(300) < rng.beta(1, 1, 30)[block]).astype(float)
    mean = sm.OLS(label, np.ones(300)).fit(cov_type="cluster", cov_kwds={"groups": block})
    effective = label.mean() * (1 - label.mean()) / mean.bse[0] ** 2
    assert effective < 120
    assert block_share_interval(label, block) == pytest.approx(
        share_interval(label.mean() * effective, effective), rel=1e-6
    )


def test_lone_homes_keep_the_plain_interval():
    label = np.repeat([1.0, 0.0], [30, 70])
    alone = share_interval(30, 100)
    narrowed = np.tile(np.arange(10), 10)
    assert block_share_interval(label, np.zeros(100, int)) == alone
    assert block_share_interval(label, narrowed) == alone  # every block has the city's share
    assert block_share_interval(label[:30], np.arange(30)) == share_interval(30, 30)
    assert block_share_interval(label[:0], narrowed[:0]) == (0.0, 1.0)
