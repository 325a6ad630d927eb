"""Local control homes: how high the flushed bottle gets where there is no lead line."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from linemap.errors import ArgumentError, EvidenceError
from linemap.published import fact


@dataclass(frozen=True)
class ControlThreshold:
    """Flushed lead that homes without a lead line rarely exceed.

    Attributes
    ----------
    value : float
        Threshold [ug/L]: the asked share of control homes lies at or below it.
    low, high : float
        Distribution-free interval [ug/L]; ``high`` is infinite where too few homes bound it.
    specificity : float
        Share asked for.
    reached, reached_low, reached_high : float
        Share of the control homes at or below the threshold, with its exact interval.
    homes : int
        Control homes, each counted once.
    non_detects : int
        How many of them lie below their limit; they count at that limit.
    confidence : float
        Coverage of both intervals.
    """

    value: float
    low: float
    high: float
    specificity: float
    reached: float
    reached_low: float
    reached_high: float
    homes: int
    non_detects: int
    confidence: float

    def __str__(self) -> str:
        top = "no upper bound" if np.isinf(self.high) else f"{self.high:g}"
        return (
            f"{self.value:g} ug/L in the flushed bottle ({self.confidence:.0%} interval "
            f"{self.low:g} to {top}), from {self.homes} homes known to have no lead line; a "
            "result below it does not rule out a lead line"
        )


def control_threshold(
    pairs: pd.DataFrame,
    control_homes: Collection[str],
    *,
    specificity: float | None = None,
    confidence: float = 0.95,
) -> ControlThreshold:
    """Return the flushed lead that homes without a lead line rarely exceed here.

    A threshold from elsewhere does not travel: corrosion control differs between cities.

    Parameters
    ----------
    pairs : DataFrame
        Table of the ``pairs`` contract. Kits that are not usable are left out, and of several
        kits of one home the highest flushed result counts.
    control_homes : collection of str
        ``parcel_id`` of homes known, by a look at the pipe, to have no lead line.
    specificity : float, optional
        Share of control homes that must lie at or below the threshold; default 0.95.
    confidence : float
        Coverage of the intervals.

    Returns
    -------
    ControlThreshold

    Raises
    ------
    EvidenceError
        If fewer than 20 control homes have a usable flushed result.
    ArgumentError
        If a share does not lie between 0 and 1.

    References
    ----------
    Schock et al. 2021, AWWA Water Science (threshold from homes that never had a lead line).
    Interval of a quantile between order statistics: David and Nagaraja, Order Statistics,
    section 7.1. The least number of homes is our choice (fact ``water.control.least_homes``).
    """
    asked = float(fact("water.control.specificity").value) if specificity is None else specificity
    if not 0 < asked < 1 or not 0 < confidence < 1:
        raise ArgumentError("specificity and confidence must lie between 0 and 1")
    usable = (
        (pairs["verdict"] != "not_usable")
        & pairs["parcel_id"].isin(set(control_homes))
        & pairs["flushed_high"].notna()
    )
    homes = pairs.loc[usable].groupby("parcel_id")[["flushed_low", "flushed_high"]].max()
    least = int(fact("water.control.least_homes").value)
    n = len(homes)
    if n < least:
        raise EvidenceError(
            f"only {n} homes known to have no lead line have a usable flushed result; {least} are "
            "needed for a local threshold. Send kits to more homes with a checked line."
        )
    ordered = np.sort(homes["flushed_high"].to_numpy(float))
    rank = int(np.ceil(round(asked * n, 9)))
    value = float(ordered[rank - 1])
    tail = (1 - confidence) / 2
    # The count of homes below the true quantile is binomial.
    lower = int(stats.binom.ppf(tail, n, asked))
    upper = int(stats.binom.ppf(1 - tail, n, asked)) + 1
    at_or_below = int((ordered <= value).sum())
    exact = stats.binomtest(at_or_below, n).proportion_ci(confidence, method="exact")
    return ControlThreshold(
        value=value,
        low=float(ordered[lower - 1]) if lower >= 1 else 0.0,
        high=float(ordered[upper - 1]) if upper <= n else float("inf"),
        specificity=asked,
        reached=at_or_below / n,
        reached_low=float(exact.low),
        reached_high=float(exact.high),
        homes=n,
        non_detects=int((homes["flushed_low"] < homes["flushed_high"]).sum()),
        confidence=confidence,
    )
