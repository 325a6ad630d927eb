"""Measures and intervals against published tables and worked examples."""

from __future__ import annotations

import numpy as np
import pytest

from linemap.evaluation import finite_population_interval, share_interval
from linemap.evaluation.measures import auc, average_precision, brier, hits_at, log_loss
from linemap.published import fact


def _table(tp: int, fn: int, fp: int, tn: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Labels and hard calls of a two-by-two table."""
    label = np.repeat([1.0, 1, 0, 0], [tp, fn, fp, tn])
    called = np.repeat([1.0, 0, 1, 0], [tp, fn, fp, tn])
    return label, called, np.ones((1, len(label)))


def test_flushed_sample_of_bennington():
    # Smart et al. 2023, Water Research: 99 lead and 60 other lines, sensitivity 73 %,
    # specificity 95 %; the table 72, 27, 3, 57 and 129/159 = .811 are computed from these.
    table = _table(72, 27, 3, 57)
    assert 1 - brier(*table)[0] == pytest.approx(129 / 159)
    assert 1 - brier(*table)[0] == pytest.approx(0.811, abs=5e-4)
    assert hits_at(*table, share=75 / 159)[0] == pytest.approx(72 / 75)
    # the area under a curve of one point is the mean of sensitivity and specificity
    assert auc(*table)[0] == pytest.approx((72 / 99 + 57 / 60) / 2)


def test_screen_of_illinois_wells():
    # n = 151, 48.3 % with lead; sensitivity 88 %, specificity 42 %, PPV 58 %, NPV 80 %
    # as published; Bayes from the rounded rates gives 58.6 and 78.9 %.
    table = _table(64, 9, 45, 33)
    label, called, ones = table
    assert label.mean() == pytest.approx(0.483, abs=5e-4)
    assert hits_at(*table, share=called.mean())[0] == pytest.approx(0.586, abs=2e-3)
    assert 1 - hits_at(label, -called, ones, share=1 - called.mean())[0] == pytest.approx(
        0.789, abs=4e-3
    )


def test_town_records_of_bennington_rank_no_better_than_luck():
    # Smart et al. 2023: town records right for 90 % of lead and 3 % of other lines.
    label = np.repeat([1.0, 0.0], [100, 100])
    says_lead = np.r_[np.ones(90), np.zeros(10), np.ones(97), np.zeros(3)]
    assert auc(label, says_lead, np.ones((1, 200)))[0] == pytest.approx((0.90 + 0.03) / 2)


@pytest.mark.parametrize(
    ("found", "looked", "exact", "wilson"),
    [
        # computed from the definitions for validation samples under 40 CFR 141.84(b)(5)
        (3, 371, (0.00167, 0.02345), (0.00275, 0.02350)),
        (19, 384, (0.03005, 0.07619), (0.03190, 0.07598)),
        # Newcombe 1998, Statistics in Medicine 17, 857-872, table I (from memory)
        (81, 263, (0.2527, 0.3676), (0.2553, 0.3662)),
        (15, 148, (0.0578, 0.1617), (0.0624, 0.1605)),
        (0, 20, (0.0, 0.1684), (0.0, 0.1611)),
        (1, 29, (0.0009, 0.1776), (0.0061, 0.1718)),
    ],
)
def test_intervals_of_shares(found, looked, exact, wilson):
    digits = 6e-6 if looked > 300 else 6e-5
    assert share_interval(found, looked, method="exact") == pytest.approx(exact, abs=digits)
    assert share_interval(found, looked) == pytest.approx(wilson, abs=digits)


def test_a_clean_sample_of_384():
    # two-sided Clopper-Pearson .00956; one-sided 1 - .05 ** (1 / 384) = .777 %
    assert share_interval(0, 384, method="exact")[1] == pytest.approx(0.00956, abs=5e-6)
    one_sided = share_interval(0, 384, method="exact", level=0.90)[1]
    assert one_sided == pytest.approx(1 - 0.05 ** (1 / 384))
    assert one_sided == pytest.approx(0.00777, abs=5e-6)


@pytest.mark.parametrize(("bound", "size"), [(0.10, 29), (0.05, 59), (0.01, 299), (0.005, 598)])
def test_zero_defect_sample_sizes(bound, size):
    # binomial sample sizes that show less than the bound at 95 % when nothing is found
    assert share_interval(0, size, method="exact", level=0.90)[1] <= bound
    assert share_interval(0, size - 1, method="exact", level=0.90)[1] > bound


@pytest.mark.parametrize(
    ("pool", "looked", "most"), [(2000, 322, 16), (10_000, 370, 79), (50_000, 381, 390)]
)
def test_what_a_perfect_validation_can_still_hide(pool, looked, most):
    # exact in a finite pool, one-sided 95 %, sample sizes of 40 CFR 141.84(b)(5)
    assert finite_population_interval(0, looked, pool, sides=1) == (0, most)


def test_scikit_learn_worked_examples():
    # scikit-learn user guide and docstrings: roc_auc_score .75, average_precision_score .83,
    # brier_score_loss .037, log_loss .21616
    label, score = np.array([0.0, 0, 1, 1]), np.array([0.1, 0.4, 0.35, 0.8])
    ones = np.ones((1, 4))
    assert auc(label, score, ones)[0] == 0.75
    assert average_precision(label, score, ones)[0] == pytest.approx(0.83, abs=5e-3)
    y, p = np.array([0.0, 1, 1, 0]), np.array([0.1, 0.9, 0.8, 0.3])
    assert brier(y, p, ones)[0] == pytest.approx(0.0375)
    y, p = np.array([1.0, 0, 0, 1]), np.array([0.9, 0.1, 0.2, 0.65])
    assert log_loss(y, p, ones)[0] == pytest.approx(0.21616, abs=5e-6)


def test_published_figures_carry_their_source():
    assert fact("evaluation.callable_share_pittsburgh").value == 0.13
    assert fact("evaluation.spatial_range_flint").value == 1400
