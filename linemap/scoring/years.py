"""Years from which a line may be, where the building year is round, missing or of a new house.

Assessors round building years, old ones more often: of the homes "from 1920" many are from 1917
or 1924. Some years are missing. And a house much younger than its neighbours may stand on the line
of the house before it, the more likely, the fewer houses are as much older than theirs: ordinary
differences go both ways. So the curve of the building year is averaged over the years from which
the line may be, each as likely as the neighbours make it.

References
----------
Heitjan and Rubin (1990), Journal of the American Statistical Association 85: ages heaped on round
numbers, and the true ages behind them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import reduce

import numpy as np
import pandas as pd
from scipy.ndimage import gaussian_filter1d

SPAN = 60
"""Years from the neighbours' up to which homes are told apart by their distance; our choice."""

SMOOTH = 1.5
"""Standard deviation over which the counts of distances are smoothed [years]; our choice."""

ROUNDED_MORE_BEFORE = 1940
"""Year before which years are rounded more often: common practice, no source."""

OLD_LINE = 0.75
"""Weight of the neighbours' year in the log-odds of a house that came later: half such houses on
the old line, likely lead, and half on a new one, hardly ever lead, have the chance between, whose
log-odds lie nearer to the higher. Half is common practice, no source."""

REACH = 5
"""Years by which a round year may be off at most: half of ten."""

Basis = Callable[[np.ndarray], np.ndarray]
"""Takes years, shape (n,); returns the basis of a curve at each, shape (n, width)."""


@dataclass(frozen=True)
class LineYears:
    """How far years lie from the neighbours', and how often they are rounded.

    Attributes
    ----------
    distance : ndarray, shape (2 * SPAN + 1,)
        Share of the other homes by distance of their year from their neighbours'.
    replaced : float
        Share of houses that came later than the others around them.
    later : ndarray, shape (2 * SPAN + 1,)
        Share of them by distance of their year from their neighbours'.
    to_five, to_ten : ndarray, shape (2,)
        Share of years rounded to five and to ten, before and from ``ROUNDED_MORE_BEFORE``.
    """

    distance: np.ndarray
    replaced: float
    later: np.ndarray
    to_five: np.ndarray
    to_ten: np.ndarray

    @classmethod
    def of(cls, features: pd.DataFrame) -> LineYears:
        """Read them off a feature table: years not round, and how many too many are round."""
        told = _told(features)
        year, near, old_line = (column[told[0] > 0] for column in told)
        away = _place(year - near)
        exact = (year % 5 != 0) & np.isfinite(near)
        both_ways = _smooth_count(away[exact], 2.0 * SMOOTH)
        later = np.clip(1.0 - both_ways[::-1] / both_ways, 0.0, 1.0)
        later[: SPAN + 1] = 0.0
        younger = np.isfinite(old_line)
        replaced = float((later[away] * younger).sum() / max(len(year), 1))
        smooth = _smooth_count(away[exact & ~younger], SMOOTH)
        old = year < ROUNDED_MORE_BEFORE
        five, ten = np.transpose([_shares_rounded(year[old]), _shares_rounded(year[~old])])
        return cls(smooth / smooth.sum(), replaced, later, five, ten)

    def mean_basis(self, features: pd.DataFrame, basis: Basis) -> np.ndarray:
        """Return a basis averaged over the years from which each line may be.

        Parameters
        ----------
        features : DataFrame
        basis : callable
            Of the building year, see ``Basis``.

        Returns
        -------
        ndarray, shape (n_homes, width)
            0 where neither the home's year is known nor its neighbours'.
        """
        year, near, old_line = _told(features)
        known, younger = np.isfinite(year), np.isfinite(old_line)
        out = basis(np.where(known, year, 0.0))
        out[~known] = 0.0
        if younger.any():
            old = OLD_LINE * self.later[_place(year - near)[younger]][:, None]
            out[younger] = (1.0 - old) * out[younger] + old * basis(old_line[younger])
        heaped = known & ~younger & (year % 5 == 0)
        missing = ~known & np.isfinite(near)
        for here, likely in ((heaped, self._behind_a_round_year), (missing, self._around)):
            if here.any():
                told = np.column_stack([np.nan_to_num(year), np.rint(near)])[here]
                kinds, kind = np.unique(told, axis=0, return_inverse=True)
                out[here] = _mean(basis, *likely(kinds[:, 0], kinds[:, 1]))[kind.ravel()]
        return out

    def _behind_a_round_year(
        self, year: np.ndarray, near: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """Return the years that may stand behind each round one, and how likely each is."""
        away = np.arange(-REACH, REACH + 1)
        true = year[:, None] + away
        old = (true >= ROUNDED_MORE_BEFORE).astype(int)
        five, ten = self.to_five[old], self.to_ten[old]
        to_ten = np.where(np.abs(away) < REACH, 1.0, 0.5) * (year % 10 == 0)[:, None]
        said = ten * to_ten + five * (np.abs(away) <= 2) + (1.0 - five - ten) * (away == 0)
        before = self.distance[_place(true - near[:, None])]
        return true, said * np.where(np.isfinite(near)[:, None], before, 1.0)

    def _around(self, year: np.ndarray, near: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return the years from which a home without a year may be, and how likely each is."""
        away = np.arange(-SPAN, SPAN + 1)
        likely = (1.0 - self.replaced) * self.distance + self.replaced * (away == 0)
        return near[:, None] + away, np.broadcast_to(likely, (len(year), len(away)))


def _told(features: pd.DataFrame) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the years of homes, of their neighbours, and of lines older than their house."""
    nothing = pd.Series(np.nan, features.index)
    year, near, old_line = (
        features.get(name, nothing).to_numpy(dtype=float)
        for name in ("year_built", "neighbour_year", "replaced_home_year")
    )
    return year, near, old_line


def _place(away: np.ndarray) -> np.ndarray:
    """Return the place of each distance [years] in ``LineYears.distance``."""
    near = np.clip(np.nan_to_num(np.rint(away)), -SPAN, SPAN)
    return np.asarray(near.astype(int) + SPAN)


def _smooth_count(place: np.ndarray, sd: float) -> np.ndarray:
    """Return how many homes stand at each place of ``LineYears.distance``, smoothed."""
    count = np.bincount(place, minlength=2 * SPAN + 1) + 1e-3
    return np.asarray(gaussian_filter1d(count, sd, mode="nearest"))


def _shares_rounded(year: np.ndarray) -> tuple[float, float]:
    """Return the shares of years rounded to five and to ten, from how often each digit ends one.

    Years not rounded end in each digit alike, those rounded to five in 0 and 5 alike.
    """
    if not len(year):
        return 0.0, 0.0
    ends = np.bincount((year % 10).astype(int), minlength=10) / len(year)
    each = np.delete(ends, (0, 5)).mean()
    five = max(2.0 * (ends[5] - each), 0.0)
    return float(five), float(max(ends[0] - each - five / 2.0, 0.0))


def _mean(basis: Basis, year: np.ndarray, likely: np.ndarray) -> np.ndarray:
    """Return the mean of a basis over years, each row by its own weights, (n, width)."""
    weight = likely / likely.sum(axis=1, keepdims=True)
    parts = (w[:, None] * basis(at) for at, w in zip(year.T, weight.T, strict=True))
    return np.asarray(reduce(np.add, parts))
