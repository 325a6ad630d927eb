"""Summary of results of which some lie below their limits, and which figure may be used."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import stats

from linemap.errors import ArgumentError
from linemap.published import fact
from linemap.water.estimates import fit_lognormal, kaplan_meier, ros_sample
from linemap.water.percentiles import rank_90
from linemap.water.shares import checked_results

KM, ROS, MLE = "Kaplan-Meier", "robust ROS", "lognormal MLE"
SUBSTITUTION = {"zero": 0.0, "half the limit": 0.5, "limit / sqrt 2": 0.5**0.5, "the limit": 1.0}
FIGURES = ("mean", "median", "p90")


@dataclass(frozen=True)
class CensoredSummary:
    """What can be said of results with several limits.

    Attributes
    ----------
    n, non_detects : int
        Results, and how many lie below their limit.
    censored_share : float
        Their share.
    limits : tuple of float
        Distinct limits of the non-detects [ug/L].
    table : DataFrame
        One row per method: ``mean``, ``median``, ``p90`` [ug/L], each with ``_low`` and
        ``_high``, ``sd``, ``fit_to_use`` (bool) and ``note``. Substitution stands at the end,
        for comparison only. A figure that lies below every limit is NaN.
    advised : str
        Method that fits these results, or ``share above a level only``.
    why : str
        Reason for the advice, and every warning.
    confidence : float
        Coverage of the intervals.
    """

    n: int
    non_detects: int
    censored_share: float
    limits: tuple[float, ...]
    table: pd.DataFrame
    advised: str
    why: str
    confidence: float

    def advised_row(self) -> pd.Series | None:
        """Return the row of the advised method, or None if no method is fit to be used."""
        if self.advised not in self.table.index:
            return None
        return pd.Series(self.table.loc[self.advised], name=self.advised)


def summarize_censored(
    values: ArrayLike,
    below_limit: ArrayLike,
    *,
    confidence: float = 0.95,
    resamples: int = 200,
    largest_resample: int = 10_000,
    seed: int = 1,
) -> CensoredSummary:
    """Summarise results of which some are known only to lie below a limit.

    Kaplan-Meier, robust regression on order statistics and lognormal maximum likelihood stand
    side by side. Nothing is put in place of a single result.

    Parameters
    ----------
    values : array_like, shape (n,)
        Results [ug/L]; for a result below its limit, that limit. All above zero.
    below_limit : array_like of bool, shape (n,)
        Which results are non-detects.
    confidence : float
        Coverage of the intervals.
    resamples : int
        Bootstrap resamples behind the intervals of the first two methods.
    largest_resample : int
        Above this many results, resamples of this size are drawn and the spread is scaled
        by the square root of the sizes.
    seed : int
        Seed of the resampling.

    Returns
    -------
    CensoredSummary

    Raises
    ------
    ArgumentError
        If lengths differ, or a value is missing or not above zero.

    References
    ----------
    Helsel 2005, Nondetects and Data Analysis; Helsel and Cohn 1988. The borders of the advice
    are facts ``water.censored.*`` (from memory). P90 of Kaplan-Meier is the first step that
    reaches 0.9, that of regression on order statistics uses the rule's interpolated rank.

    Examples
    --------
    >>> below = [False, True, False, False, True, False, False]
    >>> found = summarize_censored([3, 1, 2, 5, 1, 8, 4], below)
    >>> found.advised, float(round(found.table.loc["Kaplan-Meier", "mean"], 3))
    ('Kaplan-Meier', 3.429)
    """
    numbers, below = checked_results(values, below_limit)
    n, censored = numbers.size, int(below.sum())
    ordered = np.lexsort((below, numbers))
    numbers, below = numbers[ordered], below[ordered]
    z = float(stats.norm.ppf((1 + confidence) / 2))
    rng = np.random.default_rng(seed)

    rows: dict[str, dict[str, float]] = {}
    notes: dict[str, list[str]] = {KM: [], ROS: [], MLE: []}
    draws = _resampled(numbers, below, resamples, largest_resample, rng)
    rows[KM] = _attempt(lambda: _km_row(numbers, below, notes[KM]), notes[KM])
    rows[ROS] = _attempt(lambda: _ros_row(numbers, below), notes[ROS])
    for name, point in ((KM, _km_figures), (ROS, _ros_figures)):
        if rows[name]:
            rows[name] |= _bootstrap(rows[name], point, draws, n, confidence)
    rows[MLE] = _attempt(lambda: _mle_row(numbers, below, z, notes[MLE]), notes[MLE])
    for label, share in SUBSTITUTION.items():
        put = np.where(below, numbers * share, numbers)
        name = f"substitution: {label}"
        rows[name] = {"mean": float(put.mean()), "median": float(np.median(put)), "sd": _sd(put)}
        notes[name] = ["wrong: for comparison only"]

    advised, why = _advise(n, censored, int(np.unique(numbers[~below]).size))
    fitted = [name for name in (KM, ROS, MLE) if rows[name]]
    warnings = [f"{name}: {note}" for name in fitted for note in notes[name]]
    columns = ["mean", "mean_low", "mean_high", "sd", "median", "median_low", "median_high"]
    columns += ["p90", "p90_low", "p90_high"]
    table = pd.DataFrame([rows[name] for name in rows], index=list(rows), columns=columns)
    table = table.astype(float)
    table["fit_to_use"] = table.index == advised
    table["note"] = ["; ".join(notes[name]) for name in table.index]
    table.index.name = "method"
    return CensoredSummary(
        n=n,
        non_detects=censored,
        censored_share=censored / n,
        limits=tuple(float(x) for x in np.unique(numbers[below])),
        table=table,
        advised=advised,
        why=". ".join([why, *warnings]) + ".",
        confidence=confidence,
    )


def _attempt(make: Callable[[], dict[str, float]], notes: list[str]) -> dict[str, float]:
    """Return a row, or an empty one with the reason in its notes."""
    try:
        return make()
    except ArgumentError as error:
        notes.append(f"not available, {error}")
        return {}


def _km_figures(values: np.ndarray, below: np.ndarray) -> tuple[float, float, float]:
    curve = kaplan_meier(values, below)
    return curve.mean(), curve.quantile(0.5), curve.quantile(0.9)


def _ros_figures(values: np.ndarray, below: np.ndarray) -> tuple[float, float, float]:
    filled = ros_sample(values, below)
    return float(filled.mean()), float(np.median(filled)), rank_90(filled)


def _km_row(values: np.ndarray, below: np.ndarray, notes: list[str]) -> dict[str, float]:
    curve = kaplan_meier(values, below)
    if curve.unresolved > 0:
        notes.append(
            f"{curve.unresolved:.0%} lies below the lowest limit and is set at it, so the mean is "
            f"an upper figure; with that share at zero it is {curve.mean(0.0):.3g} ug/L"
        )
    figures = dict(zip(FIGURES, _km_figures(values, below), strict=True))
    return {**figures, "sd": curve.sd(values.size)}


def _ros_row(values: np.ndarray, below: np.ndarray) -> dict[str, float]:
    figures = dict(zip(FIGURES, _ros_figures(values, below), strict=True))
    return {**figures, "sd": _sd(ros_sample(values, below))}


def _mle_row(values: np.ndarray, below: np.ndarray, z: float, notes: list[str]) -> dict[str, float]:
    fit = fit_lognormal(values, below)
    most, least = fact("water.censored.mle_most_sigma").value, _least_n()
    if fit.sigma > most and values.size < least:
        notes.append(
            f"do not trust the mean: the log sd is {fit.sigma:.2g} with only {values.size} results"
        )
    row = {"mean": fit.mean(), "median": fit.quantile(0.5), "p90": fit.quantile(0.9)}
    row["sd"] = fit.sd()
    ends = {
        "mean": fit.interval(0.0, 0.5, z),
        "median": fit.interval(0.0, 0.0, z),
        "p90": fit.interval(float(stats.norm.ppf(0.9)), 0.0, z),
    }
    for name, (low, high) in ends.items():
        row[f"{name}_low"], row[f"{name}_high"] = low, high
    return row


def _resampled(
    values: np.ndarray, below: np.ndarray, resamples: int, largest: int, rng: np.random.Generator
) -> list[tuple[np.ndarray, np.ndarray]]:
    size = min(values.size, largest)
    picks = (rng.integers(0, values.size, size) for _ in range(resamples))
    return [(values[pick], below[pick]) for pick in picks]


def _bootstrap(
    row: dict[str, float],
    point: Callable[[np.ndarray, np.ndarray], tuple[float, float, float]],
    draws: list[tuple[np.ndarray, np.ndarray]],
    n: int,
    confidence: float,
) -> dict[str, float]:
    """Return percentile intervals; a figure below every limit is taken as zero at its low end.

    Resamples from which no estimate can be made are left out; half of them must remain.
    """
    found = []
    for values, below in draws:
        if np.unique(values[~below][:50]).size > 1 or np.unique(values[~below]).size > 1:
            found.append(point(values, below))
    ends: dict[str, float] = {}
    if len(found) < len(draws) / 2 or not found:
        return ends
    scale = np.sqrt(draws[0][0].size / n)
    tails = [(1 - confidence) / 2, (1 + confidence) / 2]
    for name, column in zip(FIGURES, np.array(found).T, strict=True):
        if not np.isnan(row[name]):
            known = np.nan_to_num(column, nan=0.0)
            low, high = row[name] + scale * (np.quantile(known, tails) - row[name])
            ends[f"{name}_low"], ends[f"{name}_high"] = float(low), float(high)
    return ends


def _sd(values: np.ndarray) -> float:
    return float(values.std(ddof=1)) if values.size > 1 else float("nan")


def _least_n() -> int:
    return int(fact("water.censored.mle_least_n").value)


def _advise(n: int, censored: int, distinct_detects: int) -> tuple[str, str]:
    """Return the method to use and why, from the share censored and the number of results."""
    share, only = censored / n, "share above a level only"
    km_most = fact("water.censored.km_most").value
    model_most = fact("water.censored.model_most").value
    said = f"{share:.0%} of {n:,} results lie below a limit"
    if distinct_detects == 0:
        return only, "Every result lies below its limit: no mean, median or percentile can be given"
    if share > model_most:
        return only, f"{said}, over {model_most:.0%}: only shares above a level can be trusted"
    if share < km_most:
        return KM, f"{said}, under {km_most:.0%}: Kaplan-Meier assumes no shape"
    if distinct_detects < 2:
        return only, f"{said} and all detects are equal: no method can be fitted"
    if n < _least_n():
        return ROS, f"{said} and there are fewer than {_least_n()}: regression on order statistics"
    return MLE, f"{said} and there are {_least_n()} or more: maximum likelihood"
