"""Shares of results above a level, and the check that every censored set passes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from linemap.errors import ArgumentError, EvidenceError


@dataclass(frozen=True)
class ShareAbove:
    """Share of results above a level, with its exact interval.

    Attributes
    ----------
    level : float
        Level [ug/L]; equal is not above.
    above, n : int
        Results above, and results in all.
    share, low, high : float
        Share and Clopper-Pearson interval.
    """

    level: float
    above: int
    n: int
    share: float
    low: float
    high: float


def share_above(
    values: ArrayLike, below_limit: ArrayLike, level: float, *, confidence: float = 0.95
) -> ShareAbove:
    """Return the share of results greater than a level.

    Parameters
    ----------
    values, below_limit
        As for :func:`summarize_censored`.
    level : float
        Level [ug/L].
    confidence : float
        Coverage of the interval.

    Returns
    -------
    ShareAbove

    Raises
    ------
    EvidenceError
        If a non-detect has a limit above the level, so that the count cannot be known.

    References
    ----------
    Clopper and Pearson 1934.

    Examples
    --------
    >>> found = share_above([1, 4, 20, 16, 15], [True] + [False] * 4, 15)
    >>> found.above, found.share
    (2, 0.4)
    """
    numbers, below = checked_results(values, below_limit)
    if (below & (numbers > level)).any():
        raise EvidenceError(
            f"some results are below a limit that itself lies above {level:g} ug/L, so results "
            f"above {level:g} cannot be counted, only those above {numbers[below].max():g} ug/L "
            "or more."
        )
    above = int((numbers > level).sum())
    exact = stats.binomtest(above, numbers.size).proportion_ci(confidence, method="exact")
    share = above / numbers.size
    return ShareAbove(float(level), above, numbers.size, share, float(exact.low), float(exact.high))


def checked_results(values: ArrayLike, below_limit: ArrayLike) -> tuple[np.ndarray, np.ndarray]:
    """Return results and marks as arrays, or say what is wrong with them."""
    numbers = np.asarray(values, dtype=float)
    below = np.asarray(below_limit, dtype=bool)
    if numbers.shape != below.shape or numbers.ndim != 1:
        raise ArgumentError("values and below_limit must be two columns of the same length")
    if numbers.size == 0:
        raise ArgumentError("there are no results to summarise")
    if not (numbers > 0).all():
        raise ArgumentError(
            "a result or limit is missing, zero or negative; give a non-detect its limit"
        )
    return numbers, below
