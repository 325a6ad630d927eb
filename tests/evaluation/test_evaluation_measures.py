"""Measures against scikit-learn, statsmodels and values worked by hand."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from sklearn.metrics import average_precision_score, brier_score_loss, log_loss, roc_auc_score

from linemap.evaluation import measures as m


@st.composite
def judged(draw: st.DrawFn) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Labels of both kinds, scores with ties, and whole-number weights in three draws."""
    n = draw(st.integers(4, 40))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    label = (rng.random(n) < 0.4).astype(float)
    label[:2] = [0, 1]
    score = np.round(rng.random(n), draw(st.sampled_from([1, 2, 8]))).clip(0.02, 0.98)
    weights = rng.integers(0, 4, (3, n)).astype(float)
    weights[:, :2] = 1
    return label, score, weights


@given(judged())
@settings(max_examples=40, deadline=None)
def test_weighted_measures_agree_with_scikit_learn(case):
    label, score, weights = case
    for measure, reference in (
        (m.auc, roc_auc_score),
        (m.average_precision, average_precision_score),
        (m.brier, brier_score_loss),
        (m.log_loss, log_loss),
    ):
        ours = measure(label, score, weights)
        theirs = [reference(label, score, sample_weight=w) for w in weights]
        np.testing.assert_allclose(ours, theirs, rtol=1e-9, atol=1e-12)


@given(judged())
@settings(max_examples=25, deadline=None)
def test_a_weight_of_two_is_the_home_twice(case):
    label, score, weights = case
    w = weights[0].astype(int)
    long = [np.repeat(v, w) for v in (label, score)]
    ones = np.ones((1, w.sum()))
    for measure in (m.auc, m.average_precision, m.brier, m.log_loss, m.calibration_intercept):
        np.testing.assert_allclose(
            measure(label, score, weights[:1]), measure(*long, ones), rtol=1e-8, atol=1e-10
        )
    np.testing.assert_allclose(
        m.hits_at(label, score, weights[:1], share=0.2), m.hits_at(*long, ones, share=0.2)
    )


def test_calibration_line_agrees_with_statsmodels():
    rng = np.random.default_rng(1)
    x = rng.normal(-1, 1.5, 800)
    label = (rng.random(800) < m.sigmoid(0.3 + 0.7 * x)).astype(float)
    p = m.sigmoid(x)
    weights = np.vstack([np.ones(800), rng.integers(0, 4, 800)]).astype(float)
    slope, intercept = m.calibration_line(label, p, weights)
    for draw in range(2):
        free = sm.GLM(
            label, sm.add_constant(x), family=sm.families.Binomial(), freq_weights=weights[draw]
        ).fit()
        held = sm.GLM(
            label,
            np.ones(800),
            family=sm.families.Binomial(),
            offset=x,
            freq_weights=weights[draw],
        ).fit()
        assert slope[draw] == pytest.approx(free.params[1], abs=1e-7)
        assert intercept[draw] == pytest.approx(held.params[0], abs=1e-7)


def test_calibration_line_is_not_stated_where_labels_are_parted_or_alike():
    p = np.array([0.1, 0.2, 0.8, 0.9])
    ones = np.ones((1, 4))
    assert np.isnan(m.calibration_slope(np.array([0.0, 0, 1, 1]), p, ones)[0])
    assert np.isnan(m.calibration_intercept(np.zeros(4), p, ones)[0])


def test_hits_by_hand():
    # ten homes: lead at ranks 1, 2, 4; the first 20 % are two homes, the first 40 % four
    label = np.array([1.0, 1, 0, 1, 0, 0, 0, 0, 0, 0])
    score = np.linspace(1, 0.1, 10)
    ones = np.ones((1, 10))
    assert m.hits_at(label, score, ones, share=0.2)[0] == 1
    assert m.hits_at(label, score, ones, share=0.4)[0] == 0.75
    assert m.hits_at(label, score, ones, share=0.25)[0] == pytest.approx(2 / 2.5)
    # all tied: any list holds the overall rate
    assert m.hits_at(label, np.full(10, 0.5), ones, share=0.3)[0] == pytest.approx(0.3)


def test_callable_share_by_hand():
    # 30 homes: the first 20 hold 18 lead (90 %), the next ten none
    label = np.r_[np.ones(18), 0, 0, np.zeros(10)]
    score = np.linspace(0.99, 0.01, 30)
    ones = np.ones((1, 30))
    assert m.callable_share(label, score, ones)[0] == pytest.approx(20 / 30)
    # nine lead homes at the top are too short a list to speak of
    short = np.r_[np.ones(9), np.zeros(21)]
    assert m.callable_share(short, score, ones)[0] == pytest.approx(10 / 30)
    shorter = np.r_[np.ones(8), np.zeros(22)]
    assert m.callable_share(shorter, score, ones)[0] == 0


def test_ece_by_hand():
    # two bins of equal count: promised .2 found .0, promised .8 found .5
    score = np.r_[np.full(10, 0.2), np.full(10, 0.8)]
    label = np.r_[np.zeros(10), np.ones(5), np.zeros(5)]
    value = m.ece(label, score, np.ones((1, 20)))[0]
    assert value == pytest.approx(0.5 * 0.2 + 0.5 * 0.3)
    # weight only the second ten
    assert m.ece(label, score, np.r_[np.zeros(10), np.ones(10)][None])[0] == pytest.approx(0.3)


def test_one_kind_of_label_gives_no_ranking():
    ones = np.ones((1, 5))
    score = np.linspace(0, 1, 5)
    assert np.isnan(m.auc(np.zeros(5), score, ones)[0])
    assert np.isnan(m.average_precision(np.zeros(5), score, ones)[0])


def test_every_measure_says_what_it_means():
    assert set(m.RANKING) | set(m.PROBABILITY) <= set(m.MEANING)
