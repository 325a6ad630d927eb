"""How curves are smoothed, against the papers that the penalty and its weights come from."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import sparse
from scipy.special import expit
from sklearn.preprocessing import SplineTransformer

from linemap.scoring.design import Design, _basis
from linemap.scoring.field import FieldProblem, fit_field
from linemap.scoring.place import PlaceField
from linemap.scoring.smoothing import _step_weights, step_penalty


def test_curves_pay_for_differences_of_neighbouring_coefficients():
    """Eilers and Marx (1996), Statistical Science 11: D'D for first differences, by plain sums."""
    b = np.random.default_rng(3).standard_normal(9)
    ridge = 0.03 * (b**2).sum()
    assert b @ step_penalty(9) @ b == pytest.approx(((b[1:] - b[:-1]) ** 2).sum() + ridge)


def test_steps_of_a_fine_curve_are_weighed_as_by_the_t_distribution():
    """Lange, Little and Taylor (1989): (v + 1) / (v + square), v = 1; here by their formula."""
    b = np.cumsum(np.random.default_rng(4).standard_normal(40) * 0.1) + 3.0 * (np.arange(40) > 20)
    known, multiple = np.zeros((40, 40)), 5.0
    weight = _step_weights(b, known, multiple)
    theirs = 2.0 / (1.0 + multiple * np.diff(b) ** 2)
    assert weight / weight[0] == pytest.approx(theirs / theirs[0])
    assert weight.argmin() == 20
    assert np.log(weight).mean() == pytest.approx(0.0, abs=1e-12)
    assert np.ptp(_step_weights(b, np.eye(40) * 1e6, multiple)) < 1e-3, "not known: all alike"


@pytest.mark.parametrize("seed", range(4))
def test_a_curve_with_one_jump_is_found_more_closely_than_with_all_steps_alike(seed, monkeypatch):
    """A jump by 3 log-odds in 1941 among 4,000 lines that were all seen, flat elsewhere."""
    rng = np.random.default_rng(seed)
    year = rng.integers(1900, 1980, 4000).astype(float)
    homes = pd.DataFrame({"x": 0.0, "y": 0.0, "year_built": year})
    true = np.where(year >= 1941, 1.0, -2.0)
    lead = rng.random(4000) < expit(true)
    design = Design().fit(homes)
    problem = FieldProblem(
        x=design.matrix(homes),
        penalty=design.penalty_,
        unit=np.zeros(4000, dtype=int),
        place=PlaceField(sparse.csr_matrix((1, 1)), 0.2, 500.0),
        weight=np.where(lead, 12.0, -12.0),
        kind=np.ones(4000, dtype=int),
        offset=np.zeros(4000),
    )

    def off(fine: int) -> float:
        monkeypatch.setattr("linemap.scoring.smoothing.FINE", fine)
        smoothing = design.smoothing()
        for _ in range(6):
            fit = fit_field(replace(problem, penalty=smoothing.penalty))
            smoothing = smoothing.after(fit)
        return float(np.abs(expit(fit.e) - expit(true)).mean())

    assert off(fine=20) < 0.96 * off(fine=1000)  # .88 to .94


def test_a_number_with_few_values_has_a_coefficient_for_each():
    """Lead is rare from two inches on (JAWWA, January 2022): a step, not a slope from one inch."""
    inch = np.repeat([0.625, 0.75, 1.0, 2.0, 4.0], 200)
    inch[:3] = 1.5
    inch[3] = np.nan
    homes = pd.DataFrame({"x": 0.0, "y": 0.0, "line_diameter_in": inch})
    design = Design().fit(homes)
    found = design.matrix(homes)[:, design.terms_["line_diameter_in"]]
    assert found.shape[1] == 5 + 1
    for k, value in enumerate([0.625, 0.75, 1.0, 2.0, 4.0]):
        assert (found[inch == value] == np.eye(6)[k]).all()
    assert found[0] == pytest.approx([0, 0, 0.5, 0.5, 0, 0]), "too few: between its neighbours"
    assert found[3].tolist() == [0, 0, 0, 0, 0, 1]
    wider = design.matrix(homes.assign(line_diameter_in=6.0))
    assert (wider[:, design.terms_["line_diameter_in"]] == np.eye(6)[4]).all()


def test_a_number_that_is_only_often_round_stays_a_curve():
    value = np.random.default_rng(1).uniform(50_000, 400_000, 2000)
    value[:300], value[300:500] = 100_000.0, 200_000.0
    homes = pd.DataFrame({"x": 0.0, "y": 0.0, "assessed_value": value})
    design = Design().fit(homes)
    assert design.curves_["assessed_value"].degree == 3
    bend = design.matrix(homes)[500:, design.terms_["assessed_value"]]
    assert len(np.unique(bend.round(4), axis=0)) > 1000, "told apart between the round values"


def test_basis_is_that_of_the_library_for_every_home():
    """scikit-learn's SplineTransformer, asked home by home; a missing value is refused."""
    year = np.random.default_rng(5).integers(1900, 1960, 500).astype(float)
    curve = SplineTransformer(degree=3, n_knots=12, extrapolation="constant").fit(year[:, None])
    assert (_basis(curve, year) == curve.transform(year[:, None])).all()
    with pytest.raises(ValueError, match="NaN"):
        _basis(curve, np.append(year, np.nan))
