"""A logistic curve of a few factors with a shrunk effect of each area.

The effects of the areas touch one another only through the few factors, so every Newton step
solves a system of the size of the factors: time and memory grow with the homes, not with homes
times areas.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Factors:
    """What is known of each row.

    Attributes
    ----------
    plain : ndarray, shape (n, k)
        Factors; the first column is one.
    area : ndarray of int, shape (n,)
        Area of each row; -1: none that is known.
    n_areas : int
    """

    plain: Floats
    area: Ints
    n_areas: int

    def take(self, rows: NDArray[np.bool_]) -> Factors:
        """Return the factors of some rows."""
        return Factors(self.plain[rows], self.area[rows], self.n_areas)


class AreaLogit:
    """Chance by factors and area, fitted by Newton steps on the penalised likelihood.

    Parameters
    ----------
    mean : ndarray, shape (k,)
        Prior mean of the factors' weights [log-odds]; areas have mean 0.
    precision : ndarray, shape (k,)
        Prior precision of the factors' weights.
    spread : float
        Prior standard deviation of the areas' weights [log-odds].

    Attributes
    ----------
    weights_ : ndarray, shape (k,)
    areas_ : ndarray, shape (n_areas,)
        Fitted weights [log-odds].
    covariance_ : ndarray, shape (k, k)
        Of the factors' weights.
    converged_ : bool
        Whether the steps came to rest within the 50 allowed.
    """

    def __init__(self, mean: Floats, precision: Floats, spread: float) -> None:
        self.mean = mean
        self.precision = precision
        self.spread = spread

    def fit(self, factors: Factors, outcome: Floats) -> AreaLogit:
        """Fit to outcomes of 0 and 1, shape (n,)."""
        self.weights_, self.areas_ = self.mean.copy(), np.zeros(factors.n_areas)
        known = factors.area >= 0
        where, plain = factors.area[known], factors.plain
        for _ in range(50):
            chance = expit(self.log_odds(factors))
            self._bend(factors, chance * (1 - chance))
            miss = outcome - chance
            pull = plain.T @ miss - self.precision * (self.weights_ - self.mean)
            pull_area = np.bincount(where, miss[known], factors.n_areas).astype(float)
            pull_area -= self.areas_ / self.spread**2
            step = self.covariance_ @ (pull - self._shares @ pull_area)
            step_area = pull_area / self._grip - self._shares.T @ step
            largest = max(np.abs(step).max(), np.abs(step_area).max(initial=0.0))
            size = min(1.0, 2.0 / max(largest, 1e-12))
            self.weights_ = self.weights_ + size * step
            self.areas_ = self.areas_ + size * step_area
            self.converged_ = bool(largest < 1e-9)
            if self.converged_:
                break
        chance = expit(self.log_odds(factors))
        self._bend(factors, chance * (1 - chance))
        return self

    def _bend(self, factors: Factors, weight: Floats) -> None:
        """Work out the curvature, with the areas eliminated."""
        plain, known = factors.plain, factors.area >= 0
        where, n_areas = factors.area[known], factors.n_areas
        weighted = plain * weight[:, None]
        self._grip = np.bincount(where, weight[known], n_areas) + self.spread**-2
        cross = np.stack([np.bincount(where, column[known], n_areas) for column in weighted.T])
        self._shares = cross / self._grip
        within = plain.T @ weighted + np.diag(self.precision)
        self.covariance_: Floats = np.asarray(
            np.linalg.inv(within - self._shares @ cross.T), dtype=np.float64
        )

    def log_odds(self, factors: Factors) -> Floats:
        """Return the log-odds of each row, shape (n,).

        Here and in what follows the rows may hold only the first of the fitted factors; the
        others are zero then, such as the months of the past for a month to come.
        """
        effect = np.append(self.areas_, 0.0)[factors.area]
        return np.asarray(factors.plain @ self.weights_[: factors.plain.shape[1]] + effect)

    def standard_error(self, factors: Factors) -> Floats:
        """Return the standard error of each row's log-odds, shape (n,)."""
        plain, area, count = factors.plain, factors.area, factors.plain.shape[1]
        along = self.covariance_ @ self._shares
        of_areas = np.einsum("ka,ka->a", self._shares, along) + 1.0 / self._grip
        both = np.append(along[:count], np.zeros((count, 1)), axis=1)
        first = self.covariance_[:count, :count]
        variance = np.einsum("ij,jk,ik->i", plain, first, plain, optimize=True)
        variance += np.append(of_areas, 0.0)[area] - 2 * np.einsum("ij,ji->i", plain, both[:, area])
        return np.asarray(np.sqrt(np.maximum(variance, 0.0)))

    def error_of_mean(self, factors: Factors) -> float:
        """Return the standard error of the mean of the rows' log-odds; 0 without rows."""
        rows, known = max(len(factors.plain), 1), factors.area[factors.area >= 0]
        part = np.bincount(known, minlength=factors.n_areas) / rows
        mean = np.zeros(len(self.weights_))
        mean[: factors.plain.shape[1]] = factors.plain.sum(axis=0) / rows
        moved = mean - self._shares @ part
        return float(np.sqrt(moved @ self.covariance_ @ moved + (part**2 / self._grip).sum()))
