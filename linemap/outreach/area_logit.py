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
        self.covariance_ = np.linalg.inv(within - self._shares @ cross.T)

    def log_odds(self, factors: Factors) -> Floats:
        """Return the log-odds of each row, shape (n,)."""
        effect = np.append(self.areas_, 0.0)[factors.area]
        return np.asarray(factors.plain @ self.weights_ + effect)

    def standard_error(self, factors: Factors) -> Floats:
        """Return the standard error of each row's log-odds, shape (n,)."""
        shares = np.append(self._shares, np.zeros((len(self.weights_), 1)), axis=1)
        own = np.append(1.0 / self._grip, 0.0)
        moved = factors.plain - shares.T[factors.area]
        variance = np.einsum("ij,ij->i", moved @ self.covariance_, moved) + own[factors.area]
        return np.asarray(np.sqrt(np.maximum(variance, 0.0)))
