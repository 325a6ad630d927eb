"""The 90th percentile as the rule computes it, and the level it is held against."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from linemap.errors import ArgumentError, EvidenceError
from linemap.water.levels import Edition, action_level, trigger_exceeded

RankMethod = Literal["interpolate", "half_up", "half_even", "next_rank"]
RANK_WORDS: dict[RankMethod, str] = {
    "interpolate": "between ranks by interpolation",
    "half_up": "rank rounded, halves up",
    "half_even": "rank rounded, halves to even",
    "next_rank": "at the next higher rank",
}
RANK_METHODS: tuple[RankMethod, ...] = ("interpolate", "half_up", "half_even", "next_rank")

LEAST_FOR_INTERVAL = 5
"""Fewest results with an interval; below, the percentile is the highest result (our choice)."""

NOT_COMPLIANCE = "programme statistic, not a compliance value"
"""Label of every percentile that comes from volunteers' kits."""


@dataclass(frozen=True)
class Percentile90:
    """A 90th percentile with all that is needed to judge it.

    Attributes
    ----------
    value : float
        The percentile [ug/L], non-detects counted as zero.
    n, non_detects : int
        Results, and how many of them lie below their limit.
    rank : float
        0.9 n, counted from the lowest result.
    method : str
        What is done with a rank that is not whole.
    action_level : float
        Level in force [ug/L].
    exceeded : bool
        Whether the value is greater than the level; equal is not greater.
    trigger_exceeded : bool or None
        Whether it lies above the trigger level of the 2021 revision and not above its action
        level, while that edition holds. None where the percentile is only known to a bound that
        leaves it open.
    at_most : float
        The percentile if every non-detect stood at its limit [ug/L]. Where it differs from
        ``value``, the percentile lies among the non-detects and is only known to this bound.
    low, high : float
        Bootstrap interval [ug/L]: the lower end with non-detects at zero, the upper end with
        them at their limits. NaN for fewer than five results.
    confidence : float
        Its coverage.
    straddles : bool
        Whether the interval holds values on both sides of the action level, or there is none.
    label : str
        What kind of figure it is.
    """

    value: float
    n: int
    non_detects: int
    rank: float
    method: RankMethod
    action_level: float
    exceeded: bool
    trigger_exceeded: bool | None
    at_most: float
    low: float
    high: float
    confidence: float
    straddles: bool
    label: str = NOT_COMPLIANCE

    def __str__(self) -> str:
        side = "above" if self.exceeded else "not above"
        interval = f"{self.confidence:.0%} interval {self.low:g} to {self.high:g}"
        firm = ", the interval holds both sides of it" if self.straddles else ""
        if math.isnan(self.low):
            interval, firm = "too few results for an interval", ", which is not firm"
        value = f"{self.value:g}" if self.at_most == self.value else f"at most {self.at_most:g}"
        return (
            f"90th percentile {value} ug/L ({interval}, n = {self.n:,}, "
            f"{RANK_WORDS[self.method]}), {side} the action level of "
            f"{self.action_level:g} ug/L{firm}; {self.label}"
        )


def rank_90(values: ArrayLike, *, method: RankMethod = "interpolate") -> float:
    """Return the 90th percentile of numbers by the rule's ranks.

    The values are sorted upwards and numbered 1 to N. The percentile is the value at rank
    0.9 N, worked out in whole numbers. With N = 5 it is the mean of the two highest, with
    fewer it is the highest.

    Parameters
    ----------
    values : array_like, shape (N,)
        Numbers in any unit and order.
    method : {"interpolate", "half_up", "half_even", "next_rank"}
        The rule is silent on ranks that are not whole. ``interpolate`` between the two
        neighbours; nearest rank with halves going up; nearest rank with halves going to the
        even rank; or the next higher rank.

    Returns
    -------
    float
        In the unit of ``values``.

    Raises
    ------
    ArgumentError
        If there are no values, one is missing, or the method has no such name.

    Notes
    -----
    A further non-detect never raises the percentile, with one exception that lies in the rule
    for five results: with ``next_rank``, a sixth result can.

    References
    ----------
    40 CFR 141.80(c)(3); EPA memorandum WSG 173 (2004); the methods for ranks that are not
    whole are those of state instruction sheets.

    Examples
    --------
    >>> rank_90([5, 5, 5, 5, 14, 14, 14, 14, 20, 40])
    20.0
    >>> [rank_90(range(1, 26), method=m) for m in RANK_METHODS]
    [22.5, 23.0, 22.0, 23.0]
    """
    numbers = np.asarray(values if hasattr(values, "__len__") else list(values), dtype=float)  # type: ignore[arg-type]
    low, high, tenths = _ranks(numbers.size, method)
    if np.isnan(numbers).any():
        raise ArgumentError("a result is missing; leave such rows out or mark them below limit")
    parts = np.partition(numbers, sorted({low - 1, high - 1}))
    return float(_between(parts[low - 1], parts[high - 1], tenths))


def percentile_90(
    values: ArrayLike,
    *,
    below_limit: ArrayLike | None = None,
    method: RankMethod = "interpolate",
    edition: Edition = "LCRR",
    on: dt.date | None = None,
    state: str | None = None,
    level: float | None = None,
    rounding: Literal["none", "whole"] = "none",
    confidence: float = 0.95,
    draws: int = 2000,
    seed: int = 1,
) -> Percentile90:
    """Return the 90th percentile by the rule, beside its uncertainty.

    Parameters
    ----------
    values : array_like, shape (n,)
        Results [ug/L]; for a result below its limit, that limit.
    below_limit : array_like of bool, shape (n,), optional
        Which results are non-detects. The rule counts them as zero.
    method : {"interpolate", "half_up", "half_even", "next_rank"}
        See :func:`rank_90`.
    edition, on, state
        See :func:`action_level`.
    level : float, optional
        Another level [ug/L] to hold the percentile against.
    rounding : {"none", "whole"}
        ``whole`` compares the percentile rounded to 1 ug/L, halves up (unverified custom).
        Ranks always use unrounded results.
    confidence : float
        Coverage of the bootstrap interval.
    draws : int
        Bootstrap draws. Ranks of a resample are drawn from their exact law, so that the cost
        does not grow with ``n``.
    seed : int
        Seed of the draws.

    Returns
    -------
    Percentile90
        Labelled as a programme statistic.

    Raises
    ------
    ArgumentError
        See :func:`rank_90`.
    EvidenceError
        If limits are so high that the decision depends on what the non-detects really were.

    References
    ----------
    40 CFR 141.80(c)(3) and 141.89; Efron 1979 (bootstrap); David and Nagaraja, Order
    Statistics (law of the ranks of a sample).

    Examples
    --------
    >>> found = percentile_90([8, 8, 8, 11, 20], edition="LCR")
    >>> found.value, found.exceeded
    (15.5, True)
    >>> percentile_90([15.0] * 10, edition="LCR").exceeded
    False
    """
    results = np.asarray(values if hasattr(values, "__len__") else list(values), dtype=float)  # type: ignore[arg-type]
    below = np.zeros(results.size, dtype=bool)
    if below_limit is not None:
        below = np.asarray(below_limit, dtype=bool)
        if below.shape != results.shape:
            raise ArgumentError("values and below_limit must have the same length")
    if not 0 < confidence < 1:
        raise ArgumentError("confidence must lie between 0 and 1")
    counted = np.where(below, 0.0, results)
    if np.isnan(counted).any() or np.isnan(results).any():
        raise ArgumentError("a result is missing; for a non-detect give its limit")
    if (results < 0).any():
        raise ArgumentError("a concentration is negative")
    held = action_level(edition, on=on, state=state) if level is None else float(level)
    value, at_most = rank_90(counted, method=method), rank_90(results, method=method)
    exceeded, upper_exceeds = (_compared(v, rounding) > held for v in (value, at_most))
    if exceeded != upper_exceeds:
        raise EvidenceError(
            f"the 90th percentile lies among results below their limits (0 to {at_most:g} ug/L), "
            f"so it cannot be held against {held:g} ug/L. Ask the laboratory for lower limits."
        )
    low = _bootstrap(counted, method, (1 - confidence) / 2, draws, seed)
    high = _bootstrap(results, method, (1 + confidence) / 2, draws, seed)
    trigger, upper_trigger = (
        level is None and trigger_exceeded(_compared(v, rounding), edition, on)
        for v in (value, at_most)
    )
    return Percentile90(
        value=value,
        n=results.size,
        non_detects=int(below.sum()),
        rank=9 * results.size / 10,
        method=method,
        action_level=held,
        exceeded=bool(exceeded),
        trigger_exceeded=trigger if trigger == upper_trigger else None,
        at_most=at_most,
        low=low,
        high=high,
        confidence=confidence,
        straddles=bool(
            math.isnan(low) or _compared(low, rounding) <= held < _compared(high, rounding)
        ),
    )


def _ranks(n: int, method: RankMethod) -> tuple[int, int, int]:
    """Return the two ranks, counted from 1, and the tenths of the way between them."""
    if method not in RANK_METHODS:
        raise ArgumentError(f"rank method {method!r} is not one of {', '.join(RANK_METHODS)}")
    if n == 0:
        raise ArgumentError("there are no results to take a percentile of")
    if n < 5:
        return n, n, 0
    if n == 5:
        return 4, 5, 5
    rank, tenths = divmod(9 * n, 10)
    if tenths == 0:
        return rank, rank, 0
    if method == "interpolate":
        return rank, rank + 1, tenths
    up = (
        method == "next_rank"
        or tenths > 5
        or (tenths == 5 and (method == "half_up" or rank % 2 == 1))
    )
    chosen = rank + int(up)
    return chosen, chosen, 0


def _between(low: np.ndarray, high: np.ndarray, tenths: int) -> np.ndarray:
    """Return the value ``tenths`` of the way from low to high, never outside them."""
    return np.clip((low * (10 - tenths) + high * tenths) / 10, low, high)


def _compared(value: float, rounding: str) -> float:
    if rounding not in ("none", "whole"):
        raise ArgumentError(f"rounding must be none or whole, not {rounding!r}")
    return float(np.floor(value + 0.5)) if rounding == "whole" else value


def _bootstrap(
    results: np.ndarray, method: RankMethod, share: float, draws: int, seed: int
) -> float:
    """Return a quantile of the percentile's bootstrap distribution; NaN below five results.

    The ranks of a resample are those of uniform draws: the upper of two neighbours is
    Beta(k + 1, n - k), the lower is the highest of k uniforms below it.
    """
    ordered = np.sort(results)
    n = ordered.size
    if n < LEAST_FOR_INTERVAL:
        return math.nan
    low, high, tenths = _ranks(n, method)
    rng = np.random.default_rng(seed)
    upper = rng.beta(high, n - high + 1, draws)
    lower = upper * rng.random(draws) ** (1.0 / low) if high > low else upper
    at = [np.minimum((u * n).astype(np.int64), n - 1) for u in (lower, upper)]
    found = _between(ordered[at[0]], ordered[at[1]], tenths)
    return float(np.quantile(found, share, method="inverted_cdf"))
