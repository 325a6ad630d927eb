"""Six bands of lead in each bottle, and what published studies let us expect in them."""

from __future__ import annotations

from functools import cache

import numpy as np
from scipy.stats import norm

from linemap.published import fact

EDGES = (1.0, 2.0, 4.0, 8.0, 16.0)
"""Upper edges of the bands [ug/L]; the last band is open."""

N_BANDS = len(EDGES) + 1
SHIFTS = np.linspace(-1.6, 1.6, 9)
"""Local levels tried, as shifts of the natural log of concentration."""


def band_cover(low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """Return which share of each band an interval result covers, (n, n_bands).

    A measured value lies in one band. A result below its limit covers every band up to the
    limit, the last one in part. A missing bottle covers all: it says nothing.

    Parameters
    ----------
    low, high : ndarray, shape (n,)
        Ends of each result [ug/L]; equal for a measured value, NaN for a missing bottle.

    Examples
    --------
    >>> band_cover(np.array([0.0, 5.0]), np.array([3.0, 5.0])).tolist()
    [[1.0, 1.0, 0.5, 0.0, 0.0, 0.0], [0.0, 0.0, 0.0, 1.0, 0.0, 0.0]]
    """
    start = np.array([0.0, *EDGES])
    end = np.array([*EDGES, np.inf])
    missing = np.isnan(low) | np.isnan(high)
    low, high = np.nan_to_num(low, nan=0.0), np.where(missing, np.inf, high)
    top = np.minimum(high[:, None], end)
    bottom = np.maximum(low[:, None], start)
    with np.errstate(invalid="ignore"):
        share = (top - bottom) / (end - start)
    share[:, -1] = np.where(np.isinf(high), 1.0, (high > start[-1]).astype(float))
    share = np.clip(share, 0.0, 1.0)
    point = high <= low
    share[point] = 0.0
    share[point, np.digitize(low[point], EDGES)] = 1.0
    return share


@cache
def expected_tables(lead: bool) -> np.ndarray:
    """Return expected shares of each pair of bands at each local level.

    A bivariate lognormal of (first, flushed) with published middles and spreads, for each of
    9 x 9 shifts of its two middles.

    Returns
    -------
    ndarray, shape (n_shifts, n_shifts, n_bands, n_bands)
        First and second axis: shift of the first and of the flushed bottle.
    """
    guess = fact("scoring.water.lead" if lead else "scoring.water.not_lead").value
    correlation = float(fact("scoring.water.correlation").value)
    mistakes = float(fact("scoring.water.mistakes").value)
    points = norm.ppf((np.arange(400) + 0.5) / 400)
    spread_first, spread_flushed = np.log(guess["first_gsd"]), np.log(guess["flushed_gsd"])
    edges = np.log(EDGES)
    out = np.zeros((len(SHIFTS), len(SHIFTS), N_BANDS, N_BANDS))
    for i, shift_first in enumerate(SHIFTS):
        first = np.log(guess["first_gm"]) + shift_first + spread_first * points
        band = np.digitize(first, edges)
        for j, shift_flushed in enumerate(SHIFTS):
            middle = np.log(guess["flushed_gm"]) + shift_flushed
            middle = middle + correlation * spread_flushed * points
            width = spread_flushed * np.sqrt(1 - correlation**2)
            below = norm.cdf((edges[None, :] - middle[:, None]) / width)
            cells = np.diff(below, axis=1, prepend=0.0, append=1.0)
            np.add.at(out[i, j], band, cells / len(points))
    return (1 - mistakes) * out + mistakes / N_BANDS**2


def local_table(
    counts: np.ndarray, lead: bool, start: tuple[float, float] = (0.0, 0.0)
) -> tuple[np.ndarray, tuple[float, float]]:
    """Return the expected table whose level fits local counts best, and its two shifts.

    Parameters
    ----------
    counts : ndarray, shape (n_bands, n_bands)
        Soft counts of local kits in one state.
    lead : bool
    start : tuple of float
        Shifts from which the level is thought to differ.
    """
    tables = expected_tables(lead)
    spread = float(fact("scoring.water.level_spread").value)
    fit = np.einsum("ab,ijab->ij", counts, np.log(tables))
    fit -= ((SHIFTS[:, None] - start[0]) ** 2 + (SHIFTS[None, :] - start[1]) ** 2) / (2 * spread**2)
    weight = np.exp(fit - fit.max())
    weight /= weight.sum()
    shifts = float((weight.sum(axis=1) * SHIFTS).sum()), float((weight.sum(axis=0) * SHIFTS).sum())
    return np.einsum("ij,ijab->ab", weight, tables), shifts
