"""The additive design of the prior: free smooth curves of age, size and place, and uses."""

from __future__ import annotations

from functools import partial
from typing import Any

import numpy as np
import pandas as pd
from scipy import linalg
from sklearn.preprocessing import SplineTransformer

from linemap.scoring.smoothing import RIDGE, Smoothing, step_penalty
from linemap.scoring.years import LineYears

NOT_PREDICTORS = ("area_id", "x", "y")
"""Columns that place a home or report on it; place has an effect of its own."""

YEARS = (
    "year_built",
    "neighbour_year",
    "main_year",
    "main_later",
    "replaced_home_year",
)
LOGGED = ("assessed_value", "area_m2", "dwelling_units", "median_income")
CURVE_KNOTS = {
    "year_built": 40,
    "neighbour_year": 10,
    "main_year": 8,
    "main_later": 10,
    "replaced_home_year": 8,
}
OTHER_KNOTS = 5
LEAST_USE = 25
"""Homes below which a use is read as "other", and a value as one between its neighbours."""

CHUNK = 100_000
"""Homes whose basis is evaluated at a time: tables of a million are slow to come by."""

MOST_LEVELS = 12
"""Values up to which a number, as the diameter of a line, has a coefficient for each of them."""

COMMON = 0.8
"""Least share of the homes that have one of these values: a number that is only often round has
more to say than its round values."""


class Design:
    """Basis of the prior: one smooth term per numeric column, one level per use.

    ``fit`` places the knots; ``matrix`` evaluates the basis. The curve of the building year has
    a knot about every three years and pays for its steps, not for its bends, so it may
    rise and fall sharply, as lead did in war years; nothing forces it to be monotone. A column
    that is missing for a home adds nothing but one level of its own. The curve of the building
    year is averaged over the years from which the line may be, see :mod:`linemap.scoring.years`.
    A number with few different values, as the diameter of a line, has a coefficient for each. How
    much each term is smoothed is learned with the fit, see :mod:`linemap.scoring.smoothing`.

    References
    ----------
    Eilers and Marx (1996), Statistical Science 11: splines with a penalty on differences.
    """

    def fit(self, features: pd.DataFrame) -> Design:
        """Place knots and name the terms.

        Parameters
        ----------
        features : DataFrame
            As made by :func:`linemap.features.build_features`; extra columns become terms.
        """
        self.curves_: dict[str, SplineTransformer] = {}
        self.levels_: dict[str, list[str]] = {}
        self.terms_: dict[str, slice] = {"base": slice(0, 1)}
        self.years_ = LineYears.of(features)
        start = 1
        blocks: list[np.ndarray] = [np.full((1, 1), 0.01)]
        for name in features.columns:
            if name in NOT_PREDICTORS:
                continue
            if pd.api.types.is_numeric_dtype(features[name]):
                values = self._values(features, name)
                known = values[np.isfinite(values)]
                if len(known) < 20 or np.ptp(known) <= 0:
                    continue
                self.curves_[name] = self._curve(name, known)
                width = self.curves_[name].n_features_out_
                steps = step_penalty(width)
                if not np.isfinite(values).all():
                    width += 1
                    steps = linalg.block_diag(steps, RIDGE)
                blocks.append(steps)
                self.terms_[name] = slice(start, start + width)
            else:
                counts = features[name].astype(object).value_counts()
                levels = sorted(str(v) for v in counts.index[counts >= LEAST_USE])
                if not levels:
                    continue
                self.levels_[name] = levels
                width = len(levels)
                blocks.append(np.eye(width))
                self.terms_[name] = slice(start, start + width)
            start += width
        self.n_columns_ = start
        self.penalty_ = linalg.block_diag(*blocks)
        return self

    def smoothing(self) -> Smoothing:
        """Return the smoothing of all terms to start from; the base is not smoothed."""
        names = [name for name in self.terms_ if name != "base"]
        widths = [self.curves_[n].n_features_out_ if n in self.curves_ else 0 for n in names]
        terms = tuple(self.terms_[name] for name in names)
        return Smoothing(self.penalty_, terms, tuple(widths), (1.0,) * len(names))

    def _values(self, features: pd.DataFrame, name: str) -> np.ndarray:
        values = features[name].to_numpy(dtype=float)
        return np.log1p(np.maximum(values, 0.0)) if name in LOGGED else values

    @staticmethod
    def _curve(name: str, known: np.ndarray) -> SplineTransformer:
        low, high = np.quantile(known, [0.003, 0.997])
        if high <= low:
            low, high = known.min(), known.max()
        knots, degree = np.linspace(low, high, CURVE_KNOTS.get(name, OTHER_KNOTS)), 3
        if name not in YEARS:
            values, homes = np.unique(known, return_counts=True)
            common = homes >= LEAST_USE
            few = 2 <= common.sum() <= MOST_LEVELS and homes[common].sum() >= COMMON * len(known)
            spread = np.unique(np.quantile(known, np.linspace(0.003, 0.997, OTHER_KNOTS)))
            if few:
                knots, degree = values[common], 1
            elif len(spread) >= 3:
                knots = spread
        curve = SplineTransformer(
            degree=degree, knots=knots[:, None], extrapolation="constant", include_bias=True
        )
        return curve.fit(knots[:, None])

    def matrix(self, features: pd.DataFrame) -> np.ndarray:
        """Evaluate the basis, some homes at a time.

        Returns
        -------
        ndarray of float32, shape (n_homes, n_columns)
        """
        out = np.zeros((len(features), self.n_columns_), dtype=np.float32)
        for start in range(0, len(features), CHUNK):
            rows = slice(start, start + CHUNK)
            self._evaluate(features.iloc[rows], out[rows])
        return out

    def _evaluate(self, features: pd.DataFrame, out: np.ndarray) -> None:
        """Write the basis of some homes into ``out``, which holds zeros."""
        out[:, 0] = 1.0
        for name, term in self.terms_.items():
            if name in self.curves_:
                values = self._values(features, name)
                known = np.isfinite(values)
                curve = self.curves_[name]
                width = curve.n_features_out_
                if name == "year_built":
                    basis = self.years_.mean_basis(features, partial(_basis, curve))
                else:
                    basis = _basis(curve, np.where(known, values, 0.0))
                    basis[~known] = 0.0
                out[:, term.start : term.start + width] = basis
                if term.stop - term.start > width:
                    out[:, term.stop - 1] = ~known
            elif name in self.levels_:
                code = pd.Categorical(
                    features[name].astype(object), categories=self.levels_[name]
                ).codes.astype(np.int64)
                row = np.flatnonzero(code >= 0)
                out[row, term.start + code[row]] = 1.0

    def describe(self) -> dict[str, Any]:
        """Return the terms and their number of coefficients."""
        return {name: term.stop - term.start for name, term in self.terms_.items()}


def _basis(curve: SplineTransformer, values: np.ndarray) -> np.ndarray:
    """Return the basis of a curve at some values, (n, width); evaluated once for each value."""
    place, different = pd.factorize(values, use_na_sentinel=False)
    return np.asarray(curve.transform(different[:, None]))[place]
