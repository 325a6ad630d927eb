"""Agreement with independent implementations on random sets: lifelines, scipy, statsmodels."""

import tracemalloc

import numpy as np
import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st
from lifelines import KaplanMeierFitter
from scipy import stats
from statsmodels.imputation.ros import impute_ros
from statsmodels.stats.proportion import proportion_confint

from linemap.errors import ArgumentError
from linemap.water import (
    fit_lognormal,
    kaplan_meier,
    percentile_90,
    ros_sample,
    share_above,
    summarize_censored,
)

QUICK = settings(max_examples=40, deadline=None, derandomize=True)

RESULT = st.tuples(st.sampled_from([0.5, 1.0, 2.0, 5.0]), st.booleans()) | st.tuples(
    st.integers(3, 4000).map(lambda k: k / 100), st.just(False)
)


@st.composite
def censored_sets(draw, least=2, most=40):
    rows = draw(st.lists(RESULT, min_size=least, max_size=most))
    values = np.array([value for value, _ in rows])
    below = np.array([mark for _, mark in rows])
    assume(np.unique(values[~below]).size >= 2)
    return values, below


def log_likelihood(values, below, mu, sigma):
    z = (np.log(values) - mu) / sigma
    seen = stats.norm.logpdf(z[~below]) - np.log(sigma)
    return seen.sum() + stats.norm.logcdf(z[below]).sum()


@QUICK
@given(censored_sets())
def test_kaplan_meier_against_lifelines(data):
    values, below = data
    curve = kaplan_meier(values, below)
    other = KaplanMeierFitter().fit_left_censoring(values, ~below)
    theirs = other.cumulative_density_.loc[curve.at].to_numpy().ravel()
    np.testing.assert_allclose(curve.share, theirs, atol=1e-9)


@settings(QUICK, max_examples=25)
@given(censored_sets(least=3, most=30))
def test_ros_against_statsmodels(data):
    values, below = data
    theirs = impute_ros(values, below, min_uncensored=2, max_fraction_censored=1.0)
    np.testing.assert_allclose(ros_sample(values, below), np.sort(theirs), rtol=1e-8)


@settings(QUICK, max_examples=20)
@given(censored_sets(least=6, most=60))
def test_lognormal_against_scipy(data):
    values, below = data
    assume((~below).sum() >= 3)
    ours = fit_lognormal(values, below)
    sample = stats.CensoredData(uncensored=values[~below], left=values[below])
    sigma, _, scale = stats.lognorm.fit(sample, floc=0)
    at_ours = log_likelihood(values, below, ours.mu, ours.sigma)
    at_theirs = log_likelihood(values, below, np.log(scale), sigma)
    assert at_ours >= at_theirs - 1e-8
    # Their search may stop early; where it arrived, both agree.
    if at_ours - at_theirs < 1e-6:
        assert (ours.mu, ours.sigma) == pytest.approx((np.log(scale), sigma), abs=0.02)


@settings(QUICK, max_examples=30)
@given(censored_sets(least=6, most=60))
def test_lognormal_information_against_differences(data):
    """The covariance is the inverse of the numerical curvature of scipy's log-likelihood."""
    values, below = data
    fit = fit_lognormal(values, below)
    assume(0.05 < fit.sigma < 5)
    point, step = np.array([fit.mu, np.log(fit.sigma)]), 1e-4 * np.eye(2)

    def at(theta):
        return -log_likelihood(values, below, theta[0], np.exp(theta[1]))

    curvature = [
        [
            (at(point + a + b) - at(point + a - b) - at(point - a + b) + at(point - a - b)) / 4e-8
            for b in step
        ]
        for a in step
    ]
    np.testing.assert_allclose(
        np.array(curvature) @ fit.covariance, np.eye(2), atol=2e-3 * max(1, fit.sigma**-2)
    )


@QUICK
@given(st.integers(0, 60), st.integers(1, 60), st.sampled_from([0.8, 0.9, 0.95]))
def test_share_interval_against_statsmodels(above, more, confidence):
    values = [20.0] * above + [2.0] * more
    found = share_above(values, [False] * len(values), 15, confidence=confidence)
    low, high = proportion_confint(above, len(values), alpha=1 - confidence, method="beta")
    assert (found.low, found.high) == pytest.approx((np.nan_to_num(low), high), abs=1e-9)


@given(censored_sets(), st.integers(0, 2**32 - 1))
@settings(QUICK, max_examples=25)
def test_order_of_results_never_matters(data, seed):
    values, below = data
    order = np.random.default_rng(seed).permutation(values.size)
    one = summarize_censored(values, below, resamples=10)
    two = summarize_censored(values[order], below[order], resamples=10)
    assert one.table.equals(two.table)
    assert (one.advised, one.why) == (two.advised, two.why)


@given(censored_sets(least=6), st.sampled_from([0.001, 1000.0]))
@settings(QUICK, max_examples=25)
def test_units_never_matter(data, factor):
    values, below = data
    one = summarize_censored(values, below, resamples=10)
    two = summarize_censored(values * factor, below, resamples=10)
    figures = [c for c in one.table.columns if c not in ("fit_to_use", "note")]
    a, b = one.table[figures].to_numpy(), two.table[figures].to_numpy() / factor
    np.testing.assert_allclose(a, b, rtol=1e-6)
    assert one.advised == two.advised


@QUICK
@given(censored_sets(), st.sampled_from([0.2, 0.5, 1.0, 3.0, 60.0]), st.floats(0.05, 1))
@example((np.array([1.0, 2.0]), np.array([False, False])), 1.0, 0.9)
def test_a_further_non_detect_never_raises_a_quantile_of_the_curve(data, limit, share):
    values, below = data
    before = kaplan_meier(values, below).quantile(share)
    after = kaplan_meier(np.append(values, limit), np.append(below, True)).quantile(share)
    assert np.isnan(after) or after <= before


def test_advice_needs_results_that_can_be_read():
    with pytest.raises(ArgumentError, match="no results"):
        summarize_censored([], [])
    with pytest.raises(ArgumentError, match="missing, zero or negative"):
        summarize_censored([1.0, np.nan], [False, False])
    with pytest.raises(ArgumentError, match="missing, zero or negative"):
        summarize_censored([1.0, 0.0], [False, False])
    with pytest.raises(ArgumentError, match="same length"):
        summarize_censored([1.0, 2.0], [False])


def test_all_non_detects_say_so():
    found = summarize_censored([1.0, 2.0], [True, True], resamples=5)
    assert found.advised == "share above a level only"
    assert found.table.loc["Kaplan-Meier", "mean":"p90"].isna().all()
    assert "Every result lies below its limit" in found.why


def test_one_result():
    found = summarize_censored([3.0], [False], resamples=5)
    assert found.table.loc["Kaplan-Meier", "mean"] == 3
    assert np.isnan(found.table.loc["lognormal MLE", "mean"])
    assert "not available" in found.table.loc["lognormal MLE", "note"]


def test_intervals_hold_the_truth_about_as_often_as_they_say():
    """100 lognormal sets of 80, about a third censored; the truth is known by construction."""
    rng = np.random.default_rng(11)
    truth = np.exp(0.5 + 0.5 * 1.0**2)
    held = {"Kaplan-Meier": 0, "robust ROS": 0, "lognormal MLE": 0}
    for k in range(100):
        x = rng.lognormal(0.5, 1.0, 80)
        limit = rng.choice([0.5, 1.0, 2.0], 80)
        below = x < limit
        table = summarize_censored(np.where(below, limit, x), below, resamples=60, seed=k).table
        for name in held:
            held[name] += table.loc[name, "mean_low"] <= truth <= table.loc[name, "mean_high"]
    assert held["lognormal MLE"] >= 88
    assert held["robust ROS"] >= 82
    assert held["Kaplan-Meier"] >= 80


def test_a_million_results_in_two_gibibytes():
    rng = np.random.default_rng(3)
    n = 1_000_000
    x = rng.lognormal(0.5, 1.2, n)
    limit = rng.choice([0.5, 1.0, 2.0], n)
    below = x < limit
    values = np.where(below, limit, x)
    tracemalloc.start()
    found = summarize_censored(values, below)
    percentile = percentile_90(values, below_limit=below)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 2 * 2**30
    row = found.table.loc["lognormal MLE"]
    assert row["mean"] == pytest.approx(np.exp(0.5 + 1.2**2 / 2), rel=0.01)
    true_p90 = np.exp(0.5 + 1.2 * stats.norm.ppf(0.9))
    assert found.table.loc["Kaplan-Meier", "p90"] == pytest.approx(true_p90, rel=0.01)
    assert percentile.low <= true_p90 <= percentile.high
