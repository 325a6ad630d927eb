"""Exact limits of what a random sample of lines allows for all of them."""

from __future__ import annotations

import math
from collections.abc import Callable

from scipy.stats import binomtest, hypergeom

from linemap.errors import ArgumentError


def share_interval(
    found: int, checked: int, *, confidence: float = 0.95, method: str = "exact"
) -> tuple[float, float]:
    """Return the two-sided interval of a share found in a random sample.

    Parameters
    ----------
    found, checked : int
        Lines found and lines checked.
    confidence : float
        Level of the interval.
    method : {"exact", "wilson"}
        Clopper-Pearson, or Wilson's score interval without continuity correction.

    Returns
    -------
    tuple of float
        Lower and upper end [share].

    References
    ----------
    Clopper and Pearson 1934, Biometrika 26, 404-413. Wilson 1927, JASA 22, 209-212.

    Examples
    --------
    >>> [round(end, 5) for end in share_interval(3, 371)]
    [0.00167, 0.02345]
    """
    _check_counts(found, checked, None, confidence)
    if method not in ("exact", "wilson"):
        raise ArgumentError(f"method = {method!r} is not one of exact, wilson.")
    ends = binomtest(found, checked).proportion_ci(confidence, method=method)
    return float(ends.low), float(ends.high)


def share_at_most(found: int, checked: int, *, confidence: float = 0.95) -> float:
    """Return the one-sided upper limit of a share, Clopper-Pearson.

    Examples
    --------
    >>> round(share_at_most(0, 384), 5)
    0.00777
    """
    _check_counts(found, checked, None, confidence)
    test = binomtest(found, checked, alternative="less")
    return float(test.proportion_ci(confidence, method="exact").high)


def lines_at_most(found: int, checked: int, pool: int, *, confidence: float = 0.95) -> int:
    """Return the most lines that the pool may hold, those found among them.

    The greatest number in the pool under which so few finds in a random sample without
    replacement are still likelier than ``1 - confidence``.

    Parameters
    ----------
    found, checked, pool : int
        Lines found, lines checked, lines in the pool from which they were drawn.
    confidence : float
        Level of the one-sided limit.

    Returns
    -------
    int

    References
    ----------
    Exact limit of the hypergeometric distribution by inversion of its test.

    Examples
    --------
    >>> lines_at_most(0, 370, 10_000)
    79
    """
    _check_counts(found, checked, pool, confidence)
    tail = 1 - confidence
    return _last(
        lambda lines: hypergeom.cdf(found, pool, lines, checked) > tail,
        found,
        pool - (checked - found),
    )


def lines_interval(
    found: int, checked: int, pool: int, *, confidence: float = 0.95
) -> tuple[int, int]:
    """Return the two-sided exact interval of the lines in the pool, those found among them.

    Parameters and method as in :func:`lines_at_most`, half of ``1 - confidence`` on each side.

    Examples
    --------
    >>> lines_interval(2, 50, 50)
    (2, 2)
    """
    _check_counts(found, checked, pool, confidence)
    tail = (1 - confidence) / 2
    high = lines_at_most(found, checked, pool, confidence=1 - tail)
    too_few = _last(
        lambda lines: hypergeom.sf(found - 1, pool, lines, checked) <= tail, found - 1, high
    )
    return too_few + 1, high


def zero_find_size(share: float, pool: int | None = None, *, confidence: float = 0.95) -> int:
    """Return how many lines must be checked, without a find, to show less than a share.

    Parameters
    ----------
    share : float
        Share of the pool to rule out, e.g. 0.01.
    pool : int, optional
        Lines in the pool; without it the pool counts as endless.
    confidence : float
        Level of the statement.

    Returns
    -------
    int

    References
    ----------
    Smallest n with (1 - share)^n at most ``1 - confidence``; in a finite pool the same by the
    hypergeometric distribution.

    Examples
    --------
    >>> zero_find_size(0.01), zero_find_size(0.01, 2000)
    (299, 277)
    """
    if not 0 < share < 1 or not 0 < confidence < 1:
        raise ArgumentError("share and confidence must lie between 0 and 1.")
    if pool is None:
        return math.ceil(math.log(1 - confidence) / math.log1p(-share))
    lines = math.ceil(round(share * pool, 9))
    too_few = _last(
        lambda checked: hypergeom.pmf(0, pool, lines, checked) > 1 - confidence, 0, pool
    )
    return min(too_few + 1, pool)


def finite_population_size(pool: float, *, z: float = 1.96, margin: float = 0.05) -> float:
    """Return the sample size for a share in a finite pool, not rounded.

    ``n0 / (1 + (n0 - 1) / pool)`` with ``n0 = z^2 p (1 - p) / margin^2`` at its widest, p = 1/2.

    Parameters
    ----------
    pool : float
        Lines in the pool; may be infinite.
    z : float
        Normal quantile of the confidence; 1.96 for 95 %.
    margin : float
        Half width of the interval [share].

    Returns
    -------
    float
        Lines.

    References
    ----------
    Cochran 1977, Sampling Techniques, section 4.4 (from memory).

    Examples
    --------
    >>> round(finite_population_size(10_000), 2), round(finite_population_size(math.inf), 2)
    (369.98, 384.16)
    """
    if pool <= 0 or z <= 0 or margin <= 0:
        raise ArgumentError("pool, z and margin must be greater than 0.")
    endless = z**2 / 4 / margin**2
    return endless / (1 + (endless - 1) / pool)


def _last(holds: Callable[[int], bool], low: int, high: int) -> int:
    """Return the last whole number up to ``high`` for which it holds, given that it does at low."""
    while low < high:
        middle = (low + high + 1) // 2
        low, high = (middle, high) if holds(middle) else (low, middle - 1)
    return low


def _check_counts(found: int, checked: int, pool: int | None, confidence: float) -> None:
    if not 0 <= found <= checked or checked < 1:
        raise ArgumentError(f"{found} found of {checked} checked cannot be. Correct the counts.")
    if pool is not None and checked > pool:
        raise ArgumentError(f"{checked} checked of a pool of {pool} cannot be. Correct the counts.")
    if not 0 < confidence < 1:
        raise ArgumentError("confidence must lie between 0 and 1.")
