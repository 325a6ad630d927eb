"""Level of the odds and its uncertainty, against logistic regression, quadrature and Wald."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy.special import expit, logit

from linemap.published import fact
from linemap.scoring import Evidence
from linemap.scoring.draws import widened
from linemap.scoring.evidence import describe_homes
from linemap.scoring.level import level_shift
from linemap.scoring.rate_draws import rate_draws
from linemap.scoring.sources import Sources
from linemap.scoring.witnesses.code_table import how_sure
from linemap.scoring.witnesses.error_rate import ErrorRate


@pytest.mark.parametrize("shift", [0.0, -0.4, 0.6])
def test_with_certain_evidence_the_level_is_that_of_a_logistic_regression(shift: float) -> None:
    """Steyerberg et al. 2004: the intercept alone, the odds as offset; fitted by statsmodels.

    The level's own prior is worth a few homes of 20,000.
    """
    rng = np.random.default_rng(1)
    before = rng.normal(-1.0, 1.5, 20_000)
    lead = rng.random(len(before)) < expit(shift + before)
    heard = rng.random(len(before)) < 0.9
    found = level_shift(before, np.where(lead, 30.0, -30.0), heard)
    theirs = sm.GLM(
        lead[heard].astype(float), np.ones((heard.sum(), 1)), sm.families.Binomial(),
        offset=before[heard],
    ).fit()  # fmt: skip
    assert found == pytest.approx(theirs.params[0], abs=2e-3)


def test_evidence_that_may_not_teach_moves_no_level() -> None:
    before = np.linspace(-2.0, 1.0, 50)
    heard = np.arange(50) < 25
    weight = np.where(heard, 0.5, 9.0)
    alone = level_shift(before[:25], weight[:25], heard[:25])
    assert level_shift(before, weight, heard) == alone


@pytest.mark.parametrize("variance", [0.1, 0.5, 1.5])
def test_widened_odds_keep_the_mean_probability(variance: float) -> None:
    """MacKay 1992 approximates the mean of a logistic curve over a normal; by quadrature here."""
    points, share = np.polynomial.hermite_e.hermegauss(60)
    share = share / share.sum()
    middle = np.linspace(-5.0, 3.0, 33)
    wide = widened(middle, np.full(len(middle), variance))
    mean = expit(wide[:, None] + np.sqrt(variance) * points) @ share
    plain = expit(middle[:, None] + np.sqrt(variance) * points) @ share
    assert np.abs(mean - expit(middle)).max() < 0.01
    assert np.abs(mean - expit(middle)).max() < 0.5 * np.abs(plain - expit(middle)).max()


def test_drawn_error_rates_spread_like_walds_interval() -> None:
    """Where every line was seen, the rate of false lead is a share with Wald's standard error.

    Agresti, Categorical Data Analysis: sqrt(p (1 - p) / n), on the scale of log-odds
    1 / sqrt(n p (1 - p)); from memory.
    """
    n, wrong = 6_000, 0.15
    rng = np.random.default_rng(2)
    index = pd.Index([f"H{i:05d}" for i in range(n)], name="parcel_id")
    features = pd.DataFrame({"x": 0.0, "y": 0.0, "year_built": 1940.0, "area_id": "A"}, index=index)
    says = np.where(rng.random(n) < wrong, "lead", "copper")
    lines = pd.DataFrame({"parcel_id": index, "utility_material": says, "customer_material": says})
    seen = pd.DataFrame(
        {
            "parcel_id": np.repeat(index.to_numpy(), 2),
            "side": ["utility", "customer"] * n,
            "checked_on": pd.Timestamp("2024-01-01"),
            "material": "copper",
            "why": "random",
        }
    )
    sources = Sources(Evidence(lines=lines, checks=seen), describe_homes(features))
    before = np.full(n, -3.0)
    for _ in range(3):
        sources.learn(before)
    record = sources.record
    drawn = []
    plain = record.weights

    def noting(rng=None, slopes=None):
        if slopes is not None:
            width = record.columns.shape[1]
            drawn.append(float(record.columns[0] @ slopes[:width]))
        return plain(rng, slopes)

    record.weights = noting  # type: ignore[method-assign]
    rate_draws(sources, before, n_draws=400, rng=np.random.default_rng(3))
    share = (says == "lead").mean()
    wald = 1.0 / np.sqrt(n * share * (1.0 - share))
    assert len(drawn) == 400
    assert np.std(drawn) == pytest.approx(wald, rel=0.25)
    area = float(record.false_lead.area_[0])
    assert np.mean(drawn) + area == pytest.approx(logit(share), abs=0.1)


def test_homes_counted_together_give_the_logistic_regression_of_single_homes() -> None:
    """18 kinds of homes against statsmodels on 4,000 homes one by one; hardly any shrinking."""
    rng = np.random.default_rng(5)
    n = 4000
    x = np.column_stack([np.ones(n), rng.integers(0, 2, n), rng.integers(-4, 5, n) / 4.0])
    wrong = rng.random(n) < expit(x @ [-1.5, 0.6, -0.8])
    kinds, kind = np.unique(x, axis=0, return_inverse=True)
    assert len(kinds) == 18
    rate = ErrorRate(np.zeros(3), np.full(3, 1e3), 1, 1e-6)
    told = [np.bincount(kind.ravel(), weight) for weight in (wrong, np.ones(n))]
    rate.learn(kinds, np.zeros(len(kinds), dtype=int), *told)
    theirs = sm.GLM(wrong.astype(float), x, sm.families.Binomial()).fit()
    assert rate.slope_ == pytest.approx(theirs.params, abs=1e-5)


def test_unsure_homes_tell_as_much_as_their_scores() -> None:
    """Berndt et al. 1974: the squared slopes of the log-likelihood, by small steps.

    Steps of the logarithm of each share, all words together; homes of known state would tell as
    much as they are many.
    """
    rng = np.random.default_rng(6)
    p = rng.beta(1.0, 2.0, 5000)
    share = np.array([[0.03, 0.57, 0.4], [0.3, 0.3, 0.4]])
    lead = (rng.random(len(p)) < p).astype(int)
    word = (rng.random(len(p))[:, None] > share.cumsum(axis=1)[lead]).sum(axis=1)

    def log_likelihood(share: np.ndarray) -> np.ndarray:
        return np.log((1.0 - p) * share[0, word] + p * share[1, word])

    soft = np.stack([1.0 - p, p], axis=1) * share[:, word].T
    soft = soft / soft.sum(axis=1, keepdims=True)
    for state in (0, 1):
        told = 0.0
        for k in range(3):
            step = np.zeros(share.shape)
            step[state, k] = 1e-5
            slope = log_likelihood(share * np.exp(step)) - log_likelihood(share * np.exp(-step))
            told += float(((slope / 2e-5) ** 2).sum())
        assert how_sure(soft)[state] == pytest.approx(told / soft[:, state].sum(), rel=1e-6)
    assert how_sure(np.eye(2)[lead]) == pytest.approx([1.0, 1.0])


def test_the_room_left_for_the_model_is_in_every_draw() -> None:
    """Without any evidence to learn from, draws spread as stated and no less."""
    index = pd.Index([f"H{i}" for i in range(200)], name="parcel_id")
    features = pd.DataFrame({"x": 0.0, "y": 0.0, "year_built": 1940.0, "area_id": "A"}, index=index)
    sources = Sources(Evidence(), describe_homes(features))
    draws = np.array(rate_draws(sources, np.zeros(200), n_draws=2000, rng=np.random.default_rng(4)))
    stated = fact("scoring.model_error").value
    expected = np.sqrt(0.5**2 + stated["city"] ** 2 + stated["area"] ** 2)
    assert draws.std() == pytest.approx(expected, rel=0.05)
    assert np.ptp(draws, axis=1).max() == 0.0, "homes of one area are wrong together"
