"""Are the probabilities right, how right could they look by luck, and should they be bent."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from linemap.evaluation.intervals import LEVEL, share_interval
from linemap.evaluation.measures import (
    CLIP,
    ECE_BINS,
    bin_numbers,
    ece,
    logistic_line,
    logit,
    sigmoid,
)

Array = NDArray[np.float64]

FEWEST_CHECKS = 60
"""Checks below which no recalibration is learned; our choice."""

FEWEST_OF_A_KIND = 15
"""Lead or non-lead checks below which no recalibration is learned; our choice."""


def perfect_ece(
    p: Array,
    *,
    rng: np.random.Generator,
    draws: int = 1000,
    level: float = LEVEL,
    label: Array | None = None,
    block: NDArray[np.int64] | None = None,
) -> tuple[float, float]:
    """Return the band of the calibration error that a perfect model would show.

    Labels are drawn from the probabilities themselves, so nothing but luck is left. With labels
    and blocks the band also holds for luck that homes of a block share: what was found less what
    was promised, less its mean in the bin, is turned over by a coin for each block (wild
    bootstrap of clusters). The band that reaches higher is taken, since few homes or few blocks
    make the second too narrow.

    Parameters
    ----------
    p : ndarray, shape (n homes,)
        Probabilities.
    rng : numpy.random.Generator
    draws : int
        Simulated sets of labels, and tosses of the coins.
    level : float
        Share of the sets inside the band.
    label : ndarray, shape (n homes,), optional
        1 lead, 0 not.
    block : ndarray of int, shape (n homes,), optional
        Block of each home; only with ``label``.

    Returns
    -------
    tuple of float
        Low and high.

    References
    ----------
    Cameron, Gelbach and Miller 2008, Rev. Econ. Stat. 90, 414-427 (from memory).
    """
    tails = [(1 - level) / 2, (1 + level) / 2]
    one = np.ones((1, len(p)))

    def band(errors: Callable[[int], Array], wide: int) -> tuple[float, float]:
        rows = max(1, 2_000_000 // max(wide, 1))
        parts = [errors(min(rows, draws - start)) for start in range(0, draws, rows)]
        low, high = np.quantile(np.concatenate(parts), tails)
        return float(low), float(high)

    alone = band(lambda k: ece((rng.random((k, len(p))) < p).astype(float), p, one), len(p))
    if label is None or block is None:
        return alone
    sums = _block_sums(label - p, bin_numbers(p), block)
    coins = np.array([-1.0, 1.0])
    shared = band(
        lambda k: np.abs(rng.choice(coins, (k, len(sums))) @ sums).sum(axis=1) / len(p), len(sums)
    )
    return shared if shared[1] > alone[1] else alone


def _block_sums(residual: Array, number: NDArray[np.intp], block: NDArray[np.int64]) -> Array:
    """Return the sum of residuals, less the mean of their bin, in each block and bin."""
    size = np.bincount(number)
    centred = residual - (np.bincount(number, weights=residual) / np.maximum(size, 1))[number]
    centred = centred * np.sqrt(size / np.maximum(size - 1, 1))[number]
    _, place = np.unique(block, return_inverse=True)
    out = np.zeros((int(place.max()) + 1, len(size)))
    np.add.at(out, (place, number), centred)
    return out


def calibration_bins(label: Array, p: Array, bins: int = ECE_BINS) -> pd.DataFrame:
    """Return promised against found rate in bins of equal count.

    Parameters
    ----------
    label, p : ndarray, shape (n homes,)
        Finding (1 lead, 0 not) and probability.
    bins : int
        Number of bins at most.

    Returns
    -------
    DataFrame
        ``bin``, ``rows`` [homes], ``promised``, ``found``, ``low``, ``high`` [share], the
        last two the Wilson interval of ``found``.
    """
    table = pd.DataFrame({"bin": bin_numbers(p, bins), "label": label, "p": p})
    out = table.groupby("bin").agg(
        rows=("label", "size"), promised=("p", "mean"), found=("label", "mean")
    )
    ends = [share_interval(round(f * n), n) for f, n in zip(out["found"], out["rows"], strict=True)]
    out["low"] = [low for low, _ in ends]
    out["high"] = [high for _, high in ends]
    out = out.reset_index()
    out["bin"] = np.arange(1, len(out) + 1)
    return out


@dataclass(frozen=True)
class Calibration:
    """How probabilities should be bent, and what else was tried.

    Attributes
    ----------
    kind : {"none", "shift", "platt"}
        What was chosen.
    intercept, slope : float
        New log-odds = intercept + slope x old log-odds.
    rows : int
        Held-out checks used.
    reason : str
        Why this was chosen.
    tried : DataFrame
        ``kind``, ``log_loss`` held out [nats], ``gain`` over none and its ``standard_error``.
    """

    kind: Literal["none", "shift", "platt"] = "none"
    intercept: float = 0.0
    slope: float = 1.0
    rows: int = 0
    reason: str = ""
    tried: pd.DataFrame = field(
        default_factory=lambda: pd.DataFrame(columns=["kind", "log_loss", "gain", "standard_error"])
    )

    def apply(self, p: pd.Series) -> pd.Series:
        """Return the bent probabilities; index and name kept."""
        if self.kind == "none":
            return p.copy()
        bent = sigmoid(self.intercept + self.slope * logit(p.to_numpy(dtype=float)))
        return pd.Series(bent, index=p.index, name=p.name)


def choose_calibration(label: Array, p: Array, fold: Array) -> Calibration:
    """Choose between leaving, shifting and bending (Platt) by held-out log loss.

    Each way is learned on all folds but one and judged on that one. A way that bends is
    taken only if its gain over none exceeds one standard error of the paired differences.
    Free-form ways (isotonic and the like) are not offered: at the numbers of checks a city
    has they cost ranking.

    Parameters
    ----------
    label, p : ndarray, shape (n checks,)
        Findings and *held-out* probabilities, of checks that were not made on suspicion.
    fold : ndarray, shape (n checks,)
        Fold in which each was held out.

    Returns
    -------
    Calibration

    References
    ----------
    Platt 1999, Advances in Large Margin Classifiers, 61-74.
    """
    label, p = np.asarray(label, dtype=float), np.asarray(p, dtype=float)
    n, lead = len(label), int(label.sum())
    folds = np.unique(fold)
    if n < FEWEST_CHECKS or min(lead, n - lead) < FEWEST_OF_A_KIND or len(folds) < 2:
        return Calibration(
            rows=n,
            reason=f"left as they are: {n} held-out checks ({lead} with lead) are too few to learn"
            f" from (at least {FEWEST_CHECKS}, {FEWEST_OF_A_KIND} of each kind)",
        )
    x = logit(p)
    bent = {kind: np.empty(n) for kind in ("none", "shift", "platt")}
    for one in folds:
        out = fold == one
        bent["none"][out] = x[out]
        for kind in ("shift", "platt"):
            a, b = _line(label[~out], x[~out], kind)
            bent[kind][out] = a + b * x[out]
    loss = {kind: _losses(label, sigmoid(value)) for kind, value in bent.items()}
    rows = []
    for kind, value in loss.items():
        gain = loss["none"] - value
        rows.append((kind, value.mean(), gain.mean(), gain.std(ddof=1) / np.sqrt(n)))
    tried = pd.DataFrame(rows, columns=["kind", "log_loss", "gain", "standard_error"])
    able = tried[(tried["kind"] == "none") | (tried["gain"] > tried["standard_error"])]
    best = str(able.sort_values("log_loss", kind="stable")["kind"].iloc[0])
    if best == "none":
        return Calibration(
            rows=n, tried=tried, reason="left as they are: bending gained less than its own noise"
        )
    a, b = _line(label, x, best)
    won = float(tried.loc[tried["kind"] == best, "gain"].iloc[0])
    return Calibration(
        kind="shift" if best == "shift" else "platt",
        intercept=a,
        slope=b,
        rows=n,
        tried=tried,
        reason=f"lowers the held-out log loss by {won:.4f}, more than its standard error",
    )


def _line(label: Array, x: Array, kind: str) -> tuple[float, float]:
    """Fit intercept (and slope); identity where the fit is lost or would turn the order."""
    a, b = logistic_line(label, x, np.ones((1, len(x))), free_slope=kind == "platt")
    if not np.isfinite(a[0] + b[0]) or b[0] <= 0:
        return 0.0, 1.0
    return float(a[0]), float(b[0])


def _losses(label: Array, p: Array) -> Array:
    p = np.clip(p, CLIP, 1 - CLIP)
    return -(label * np.log(p) + (1 - label) * np.log1p(-p))
