"""Hold predictions against findings: tables of measures with block-bootstrap intervals."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from linemap.evaluation.baselines import MEANING as BASELINES
from linemap.evaluation.baselines import RANK_ONLY
from linemap.evaluation.calibration import calibration_bins, perfect_ece
from linemap.evaluation.headline import callable_high
from linemap.evaluation.intervals import block_share_interval, block_weights, percentiles
from linemap.evaluation.measures import (
    LIST_SHARES,
    PROBABILITY,
    RANKING,
    Measure,
    auc,
    average_precision,
    brier,
    log_loss,
)
from linemap.evaluation.result import MEASURE_COLUMNS

Array = NDArray[np.float64]
METHODS = ("linemap", *BASELINES)

OF_GROUPS: dict[str, Measure] = {
    "auc": auc,
    "average_precision": average_precision,
    "brier": brier,
    "log_loss": log_loss,
}
"""Measures stated for each group of homes."""

FEWEST_OF_A_KIND = 5
"""Homes with or without lead below which a group's ranking is not judged; our choice."""

LARGEST = 4_000_000
"""Weights [draws x homes] handled at once, to bound memory."""


def _draws(measure: Measure, label: Array, score: Array, weights: Array) -> Array:
    """Apply a measure to many rows of weights in bounded memory."""
    step = max(1, LARGEST // max(len(label), 1))
    parts = [measure(label, score, weights[i : i + step]) for i in range(0, len(weights), step)]
    return np.concatenate(parts)


def ece_interval(
    value: float, draws: Array, ends: tuple[float, float], perfect_high: float
) -> tuple[float, float]:
    """Return the interval of a calibration error, which luck alone lifts above nought.

    A resample adds its own luck to that of the checks, so its errors lie above the value and its
    interval may not hold it. The mean excess of the resamples estimates how much luck adds; the
    low end gives back twice that, once for the resample and once for the checks.

    Parameters
    ----------
    value : float
        Calibration error of the checks [share].
    draws : ndarray, shape (resamples,)
        The same of each resample.
    ends : tuple of float
        Percentile interval of the draws; NaN where there is none.
    perfect_high : float
        High end of the band of a perfect model; NaN where it is not known. A value within the
        band may be luck alone, so its interval reaches down to 0.

    Returns
    -------
    tuple of float
        Low and high, with the value between them.

    References
    ----------
    Broecker 2012, Clim. Dyn. 39, 655-667; Ferro and Fricker 2012, Q. J. R. Meteorol. Soc. 138,
    1954-1960; Roelofs et al. 2022, Mitigating bias in calibration error estimation (AISTATS):
    the bias. The interval is ours.

    Examples
    --------
    >>> low, high = ece_interval(0.06, np.array([0.06, 0.08]), (0.065, 0.095), 0.04)
    >>> f"{low:.3f} {high:.3f}"
    '0.045 0.095'
    """
    low, high = ends
    if not np.isfinite(low):
        return ends
    excess = float(np.nanmean(draws)) - value
    low = 0.0 if value <= perfect_high else max(0.0, min(low - 2 * excess, value))
    return low, max(high, value)


def measure_rows(
    held: pd.DataFrame,
    *,
    protocol: str,
    weighting: str,
    weights: Array,
    bootstrap: int,
    rng: np.random.Generator,
    methods: Sequence[str] = METHODS,
) -> list[dict[str, object]]:
    """Return every measure of every method on the same homes and the same resamples.

    Parameters
    ----------
    held : DataFrame
        ``label``, ``block`` and one column per method.
    protocol, weighting : str
        Names to write.
    weights : ndarray, shape (n homes,)
        Weight of each home.
    bootstrap : int
        Resamples of blocks.
    rng : numpy.random.Generator
    methods : sequence of str

    Returns
    -------
    list of dict
        Rows with the columns of ``MEASURE_COLUMNS``.
    """
    label = held["label"].to_numpy(dtype=float)
    block = held["block"].to_numpy(dtype=np.int64)
    counts = np.vstack([np.ones(len(label)), block_weights(block, bootstrap, rng)]) * weights
    blocks = len(np.unique(block))
    values: dict[tuple[str, str], Array] = {}
    band: dict[str, tuple[float, float]] = {}
    for method in methods:
        score = held[method].to_numpy(dtype=float)
        if not np.isfinite(score).all():
            continue
        able = RANKING if method in RANK_ONLY else {**RANKING, **PROBABILITY}
        for name, measure in able.items():
            values[method, name] = _draws(measure, label, score, counts)
        if method not in RANK_ONLY and weighting == "as checked":
            luck = np.random.default_rng(rng.integers(2**63))
            band[method] = perfect_ece(score, rng=luck, label=label, block=block)
    for share in LIST_SHARES:
        name = f"at_{round(100 * share)}pct"
        if ("linemap", f"hits_{name}") in values and ("age rule", f"hits_{name}") in values:
            ours, rule = values["linemap", f"hits_{name}"], values["age rule", f"hits_{name}"]
            lift = np.divide(ours, rule, out=np.full(len(ours), np.nan), where=rule > 0)
            values["linemap", f"lift_{name}"] = lift
    rows = []
    for (method, name), value in values.items():
        low, high = percentiles(value[1:], blocks)
        perfect = band.get(method, (np.nan, np.nan)) if name == "ece" else (np.nan, np.nan)
        if name == "ece":
            low, high = ece_interval(value[0], value[1:], (low, high), perfect[1])
        if name == "callable_share_90":
            high = callable_high(value[0], high, len(label))
        row = {"protocol": protocol, "weighting": weighting, "method": method, "measure": name,
               "value": value[0], "low": low, "high": high, "perfect_low": perfect[0],
               "perfect_high": perfect[1], "rows": len(label),
               "lead": int(label.sum()), "blocks": blocks}  # fmt: skip
        if method != "linemap" and ("linemap", name) in values:
            ahead = values["linemap", name] - value
            row["ahead"] = ahead[0]
            row["ahead_low"], row["ahead_high"] = percentiles(ahead[1:], blocks)
        rows.append(row)
    return rows


def measure_table(rows: list[dict[str, object]]) -> pd.DataFrame:
    """Return rows of :func:`measure_rows` as a table."""
    return pd.DataFrame(rows).reindex(columns=list(MEASURE_COLUMNS))


def group_table(
    held: pd.DataFrame, groups: pd.DataFrame, *, protocol: str, bootstrap: int,
    rng: np.random.Generator,
) -> pd.DataFrame:  # fmt: skip
    """Return promised and found rates and four measures for each group of homes.

    Parameters
    ----------
    held : DataFrame
        ``label``, ``block``, ``linemap``, indexed by ``parcel_id``.
    groups : DataFrame
        One column per kind of group, same index; missing: in no group.
    protocol : str
    bootstrap : int
        Resamples of blocks.
    rng : numpy.random.Generator

    Returns
    -------
    DataFrame
        ``protocol``, ``kind``, ``group``, ``rows``, ``lead``, ``blocks``, ``found`` with its
        :func:`~linemap.evaluation.intervals.block_share_interval`, ``promised``, ``agrees``
        (promised lies between the ends of found), and the measures :data:`OF_GROUPS` with
        block-bootstrap ends; NaN for a ranking of too few of a kind.
    """
    rows = []
    for kind in groups.columns:
        for name, index in groups.groupby(kind, observed=True).groups.items():
            part = held.loc[index]
            label, p = part["label"].to_numpy(float), part["linemap"].to_numpy(float)
            block = part["block"].to_numpy(np.int64)
            low, high = block_share_interval(label, block)
            row: dict[str, object] = {
                "protocol": protocol, "kind": kind, "group": str(name), "rows": len(label),
                "lead": int(label.sum()), "blocks": len(np.unique(block)), "found": label.mean(),
                "found_low": low, "found_high": high, "promised": p.mean(),
                "agrees": bool(low <= p.mean() <= high),
            }  # fmt: skip
            weights = np.vstack([np.ones(len(label)), block_weights(block, bootstrap, rng)])
            few = min(label.sum(), (1 - label).sum()) < FEWEST_OF_A_KIND
            for measure, of in OF_GROUPS.items():
                value = _draws(of, label, p, weights)
                if few and measure in RANKING:
                    value = np.full(len(value), np.nan)
                row[measure] = value[0]
                ends = percentiles(value[1:], len(np.unique(block)))
                row[f"{measure}_low"], row[f"{measure}_high"] = ends
            rows.append(row)
    return pd.DataFrame(rows)


def bin_table(held: pd.DataFrame, *, protocol: str) -> pd.DataFrame:
    """Return the calibration bins of every method that states a probability."""
    label = held["label"].to_numpy(dtype=float)
    parts = []
    for method in METHODS:
        score = held[method].to_numpy(dtype=float)
        if method not in RANK_ONLY and np.isfinite(score).all():
            part = calibration_bins(label, score)
            parts.append(part.assign(protocol=protocol, method=method))
    table = pd.concat(parts, ignore_index=True)
    return table[["protocol", "method", *table.columns[:-2]]]


def gain_table(held: pd.DataFrame, *, protocol: str, steps: int = 50) -> pd.DataFrame:
    """Return how much of the lead each method finds by the share of homes looked at.

    Parameters
    ----------
    held : DataFrame
        ``label`` and one column per method.
    protocol : str
    steps : int
        Points along the curve.

    Returns
    -------
    DataFrame
        ``protocol``, ``method``, ``looked``, ``found`` [share]; ties count by expectation.
        Empty where no home has lead.
    """
    label = held["label"].to_numpy(dtype=float)
    looked = np.linspace(0, 1, steps + 1)
    if not label.any():
        return pd.DataFrame(columns=["protocol", "method", "looked", "found"])
    parts = []
    for method in METHODS:
        score = held[method].to_numpy(dtype=float)
        if not np.isfinite(score).all():
            continue
        by = pd.DataFrame({"score": score, "label": label}).groupby("score")["label"]
        steps_of = by.agg(["size", "sum"]).iloc[::-1].cumsum() / [len(label), label.sum()]
        found = np.interp(looked, np.r_[0, steps_of["size"]], np.r_[0, steps_of["sum"]])
        parts.append(pd.DataFrame({"protocol": protocol, "method": method, "looked": looked,
                                   "found": found}))  # fmt: skip
    return pd.concat(parts, ignore_index=True)
