"""The logistic curve with shrunk areas, against scikit-learn on the same penalised likelihood."""

import numpy as np
import pytest
from scipy.special import expit
from sklearn.linear_model import LogisticRegression

from linemap.outreach.area_logit import AreaLogit, Factors

SPREADS, AREA_SPREAD, AREAS = np.array([1.0, 0.5, 0.2]), 0.6, 7


@pytest.fixture(scope="module")
def rows():
    rng = np.random.default_rng(5)
    area = rng.integers(-1, AREAS, 800)
    plain = np.column_stack([np.ones(800), rng.random(800) < 0.4, rng.standard_normal(800)])
    odds = plain @ [0.4, -0.8, 0.3] + np.append(rng.normal(0, 0.6, AREAS), 0.0)[area]
    return Factors(plain, area, AREAS), (rng.random(800) < expit(odds)).astype(float)


def dense(factors):
    columns = np.append(np.eye(AREAS), np.zeros((1, AREAS)), axis=0)[factors.area]
    return np.hstack([factors.plain, columns])


def whole_covariance(ours, factors):
    """All columns, and the inverse of the whole curvature, areas not eliminated."""
    x, p = dense(factors), expit(ours.log_odds(factors))
    precision = np.append(SPREADS**-2, np.full(AREAS, AREA_SPREAD**-2))
    return x, np.linalg.inv((x * (p * (1 - p))[:, None]).T @ x + np.diag(precision))


def test_weights_agree_with_scikit_learn(rows):
    factors, outcome = rows
    ours = AreaLogit(np.zeros(3), SPREADS**-2, AREA_SPREAD).fit(factors, outcome)
    # A ridge penalty of one on columns multiplied by a spread is that spread on the weights.
    scale = np.append(SPREADS, np.full(AREAS, AREA_SPREAD))
    rival = LogisticRegression(C=1.0, fit_intercept=False, tol=1e-10, max_iter=5000)
    rival.fit(dense(factors) * scale, outcome)
    np.testing.assert_allclose(
        np.append(ours.weights_, ours.areas_), rival.coef_[0] * scale, atol=1e-5
    )


def test_standard_errors_agree_with_the_inverse_of_the_whole_curvature(rows):
    factors, outcome = rows
    ours = AreaLogit(np.zeros(3), SPREADS**-2, AREA_SPREAD).fit(factors, outcome)
    x, covariance = whole_covariance(ours, factors)
    np.testing.assert_allclose(
        ours.standard_error(factors), np.sqrt(np.einsum("ij,jk,ik->i", x, covariance, x))
    )


def test_without_areas_or_rows_the_prior_is_left():
    none = Factors(np.zeros((0, 3)), np.zeros(0, dtype=np.int64), 0)
    model = AreaLogit(np.array([0.4, 0.0, 0.0]), SPREADS**-2, AREA_SPREAD).fit(none, np.zeros(0))
    assert model.weights_.tolist() == [0.4, 0.0, 0.0]
    one = Factors(np.array([[1.0, 0.0, 0.0]]), np.array([-1]), 0)
    assert model.standard_error(one) == pytest.approx([1.0])


def test_it_says_whether_it_came_to_rest(rows):
    factors, outcome = rows
    ours = AreaLogit(np.zeros(3), SPREADS**-2, AREA_SPREAD).fit(factors, outcome)
    assert ours.converged_
    # Separable rows under a prior that hardly holds: the odds run off by two for every step.
    far = AreaLogit(np.zeros(1), np.array([1e-80]), 1e-3)
    far.fit(Factors(np.ones((5, 1)), np.full(5, -1), 0), np.ones(5))
    assert not far.converged_


def test_the_error_of_a_mean_is_that_of_the_mean_row(rows):
    factors, outcome = rows
    ours = AreaLogit(np.zeros(3), SPREADS**-2, AREA_SPREAD).fit(factors, outcome)
    x, covariance = whole_covariance(ours, factors)
    mean = x.mean(axis=0)
    assert ours.error_of_mean(factors) == pytest.approx(np.sqrt(mean @ covariance @ mean))


def test_factors_left_out_are_zero(rows):
    factors, outcome = rows
    ours = AreaLogit(np.zeros(3), SPREADS**-2, AREA_SPREAD).fit(factors, outcome)
    short = Factors(factors.plain[:, :2], factors.area, AREAS)
    zero = Factors(factors.plain * [1, 1, 0], factors.area, AREAS)
    np.testing.assert_allclose(ours.log_odds(short), ours.log_odds(zero))
    np.testing.assert_allclose(ours.standard_error(short), ours.standard_error(zero))
    assert ours.error_of_mean(short) == pytest.approx(ours.error_of_mean(zero))
