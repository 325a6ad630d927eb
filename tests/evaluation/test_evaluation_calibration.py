"""Calibration: the perfect model's band, the bins, and when to bend."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from linemap.evaluation import choose_calibration, perfect_ece
from linemap.evaluation.calibration import calibration_bins
from linemap.evaluation.measures import ece, logit, sigmoid


def _draw(n: int, rng: np.random.Generator, a: float = 0.0, b: float = 1.0):
    """Labels whose log-odds are a + b times the stated ones."""
    x = rng.normal(-1, 1.5, n)
    label = (rng.random(n) < sigmoid(a + b * x)).astype(float)
    return label, sigmoid(x), rng.integers(0, 5, n)


def test_a_perfect_model_lies_in_its_band():
    rng = np.random.default_rng(11)
    p = sigmoid(rng.normal(-1, 1.5, 400))
    low, high = perfect_ece(p, rng=rng, draws=600)
    inside = 0
    for _ in range(300):
        label = (rng.random(400) < p).astype(float)
        inside += low <= ece(label, p, np.ones((1, 400)))[0] <= high
    assert 0.91 <= inside / 300 <= 0.985


def test_the_band_narrows_with_the_number_of_homes_and_misses_a_bold_model():
    rng = np.random.default_rng(12)
    small, large = (perfect_ece(sigmoid(rng.normal(-1, 1.5, n)), rng=rng)[1] for n in (200, 5000))
    assert large < small / 3
    label, p, _ = _draw(2000, rng, b=0.5)
    assert ece(label, p, np.ones((1, 2000)))[0] > perfect_ece(p, rng=rng)[1]


def test_bins_hold_all_homes_once_and_tied_homes_together():
    rng = np.random.default_rng(13)
    label, p, _ = _draw(503, rng)
    bins = calibration_bins(label, p)
    assert bins["rows"].sum() == 503
    assert len(bins) == 10
    assert (bins["rows"] * bins["found"]).sum() == pytest.approx(label.sum())
    assert ((bins["low"] <= bins["found"]) & (bins["found"] <= bins["high"])).all()
    assert len(calibration_bins(label, np.full(503, 0.3))) == 1


def test_right_probabilities_are_left_alone_mostly():
    kinds = [
        choose_calibration(*_draw(400, np.random.default_rng(seed))).kind for seed in range(30)
    ]
    assert kinds.count("none") >= 24


@pytest.mark.parametrize(("a", "b", "kind"), [(-1.2, 1.0, "shift"), (0.4, 0.45, "platt")])
def test_wrong_probabilities_are_bent_back(a, b, kind):
    rng = np.random.default_rng(14)
    label, p, fold = _draw(3000, rng, a, b)
    choice = choose_calibration(label, p, fold)
    assert choice.kind in ("platt", kind)
    assert choice.intercept == pytest.approx(a, abs=0.2)
    assert choice.slope == pytest.approx(b, abs=0.12)
    bent = choice.apply(pd.Series(p, name="p_lead"))
    assert bent.name == "p_lead"
    assert ece(label, bent.to_numpy(), np.ones((1, 3000)))[0] < 0.03
    np.testing.assert_allclose(logit(bent.to_numpy()), choice.intercept + choice.slope * logit(p))


def test_too_few_checks_teach_no_bending():
    rng = np.random.default_rng(15)
    label, p, fold = _draw(50, rng, a=-3)
    choice = choose_calibration(label, p, fold)
    assert choice.kind == "none"
    assert "too few" in choice.reason
    pd.testing.assert_series_equal(choice.apply(pd.Series(p)), pd.Series(p))


def test_bending_never_turns_the_order():
    rng = np.random.default_rng(16)
    label, p, fold = _draw(500, rng, b=-0.5)
    choice = choose_calibration(label, p, fold)
    assert choice.slope > 0
