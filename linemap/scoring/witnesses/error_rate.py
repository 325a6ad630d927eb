"""An error rate that differs by era, place and circumstances: a small shrunk logistic curve."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy import linalg
from scipy.special import expit


class ErrorRate:
    """Chance of an error, logistic in a few columns, with an effect of each neighbourhood.

    Coefficients are shrunk to stated middles with stated spreads, neighbourhoods to none. A
    source without local homes to learn from keeps the stated rates.

    Parameters
    ----------
    middle, spread : array_like, shape (n_columns,)
        Stated mean and standard deviation of each coefficient [log-odds].
    n_areas : int
    area_spread : float
        Stated standard deviation of a neighbourhood's effect [log-odds].
    """

    def __init__(
        self, middle: ArrayLike, spread: ArrayLike, n_areas: int, area_spread: float
    ) -> None:
        self.middle = np.asarray(middle, dtype=float)
        self.precision = 1.0 / np.asarray(spread, dtype=float) ** 2
        self.area_precision = 1.0 / area_spread**2
        self.slope_ = self.middle.copy()
        self.area_ = np.zeros(n_areas)
        self.area_sd_ = np.full(n_areas, area_spread)

    def learn(
        self, columns: np.ndarray, area: np.ndarray, wrong: np.ndarray, told: np.ndarray
    ) -> None:
        """Fit by Newton steps, slopes and neighbourhoods in turn.

        Parameters
        ----------
        columns : ndarray, shape (n, n_columns)
        area : ndarray of int, shape (n,)
        wrong, told : ndarray, shape (n,)
            Homes that err, and all that can err so; a home that is of that kind only perhaps
            counts as the part of one that it probably is.
        """
        for _ in range(12):
            at = columns @ self.slope_ + self.area_[area]
            p = expit(at)
            pull, info = wrong - told * p, told * p * (1 - p)
            curvature = columns.T @ (columns * info[:, None]) + np.diag(self.precision)
            step = linalg.solve(
                curvature,
                columns.T @ pull - self.precision * (self.slope_ - self.middle),
                assume_a="pos",
            )
            self.slope_ = self.slope_ + np.clip(step, -1.0, 1.0)
            p = expit(columns @ self.slope_ + self.area_[area])
            pull, info = wrong - told * p, told * p * (1 - p)
            n_areas = len(self.area_)
            grip = np.bincount(area, info, n_areas) + self.area_precision
            move = np.bincount(area, pull, n_areas) - self.area_precision * self.area_
            self.area_ = self.area_ + np.clip(move / grip, -1.0, 1.0)
            if np.abs(step).max() < 1e-4:
                break
        self.area_sd_ = 1.0 / np.sqrt(grip)

    def start_from(
        self, columns: np.ndarray, wrong: np.ndarray, told: np.ndarray, between: float
    ) -> None:
        """Shrink from now on to the coefficients that fit homes of other cities best.

        The level is held the tighter, the more those homes say of it.

        Parameters
        ----------
        columns : ndarray, shape (n, n_columns)
        wrong, told : ndarray, shape (n,)
            As of :meth:`learn`.
        between : float
            Stated standard deviation of the level between cities [log-odds].
        """
        others = ErrorRate(self.middle, self.precision**-0.5, 1, 1e-3)
        others.learn(columns, np.zeros(len(wrong), dtype=int), wrong, told)
        self.middle, self.slope_ = others.slope_, others.slope_.copy()
        p = expit(columns @ self.middle)
        said = float((told * p * (1 - p)).sum())
        grip = said / (1.0 + said * between**2)
        self.precision = self.precision.copy()
        self.precision[0] = max(self.precision[0], grip)

    def rate(
        self,
        columns: np.ndarray,
        area: np.ndarray,
        rng: np.random.Generator | None = None,
        slope: np.ndarray | None = None,
    ) -> np.ndarray:
        """Return the chance of an error of each home.

        With a generator the effects of neighbourhoods are drawn. Coefficients are drawn with the
        level of the odds, see :mod:`linemap.scoring.rate_draws`, and handed in as ``slope``.
        """
        effect = self.area_
        slope = self.slope_ if slope is None else slope
        if rng is not None:
            effect = effect + self.area_sd_ * rng.standard_normal(len(effect))
        return np.clip(expit(columns @ slope + effect[area]), 0.002, 0.9)
