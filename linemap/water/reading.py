"""Reading the two bottles of a home together: a likelihood over causes, never a clearance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import special

from linemap.errors import ArgumentError
from linemap.water.causes import CAUSES, SUGGESTIONS, WORDS, Cause, PairModel, log_likelihoods


def ratio_interval(
    first_low: ArrayLike, first_high: ArrayLike, flushed_low: ArrayLike, flushed_high: ArrayLike
) -> tuple[np.ndarray, np.ndarray]:
    """Return the ratio of the first to the flushed bottle as an interval.

    A flushed bottle below its limit leaves the upper end open: nothing is put in its place.

    Parameters
    ----------
    first_low, first_high, flushed_low, flushed_high : array_like of float
        Ends of the two readings [ug/L]; equal ends for a measured value, 0 and the limit below
        a limit.

    Returns
    -------
    low, high : ndarray of float
        Infinite where open; NaN where a bottle is missing.

    Examples
    --------
    >>> [x.item() for x in ratio_interval(6, 6, 0, 2)]
    [3.0, inf]
    """
    a, b = np.asarray(first_low, float), np.asarray(first_high, float)
    c, d = np.asarray(flushed_low, float), np.asarray(flushed_high, float)
    missing = np.isnan(a) | np.isnan(b) | np.isnan(c) | np.isnan(d)
    with np.errstate(divide="ignore", invalid="ignore"):
        low, high = np.where(a > 0, a / d, 0.0), np.where(c > 0, b / c, np.inf)
    return np.where(missing, np.nan, low), np.where(missing, np.nan, high)


def read_pairs(
    pairs: pd.DataFrame,
    *,
    model: PairModel | None = None,
    threshold: float | None = None,
    reach: pd.Series | None = None,
) -> pd.DataFrame:
    """Read the two bottles of every kit.

    Parameters
    ----------
    pairs : DataFrame
        Table of the ``pairs`` contract.
    model : PairModel, optional
        What the bottles show under each cause.
    threshold : float, optional
        Flushed lead [ug/L] that homes without a lead line rarely exceed, see
        :func:`linemap.water.control_threshold`.
    reach : Series, optional
        Where the flushed water stood, see :func:`linemap.water.flush_reach`; index of
        ``pairs``. A flush that stayed short of the line says nothing of it.

    Returns
    -------
    DataFrame
        Index of ``pairs``: ``kit_id``, ``parcel_id``; ``share_neither``, ``share_premise``,
        ``share_line``, ``share_both`` (likelihood of each cause, adding up to 1, with no
        prior in it); ``line_ratio``, likelihood of a lead line over none; ``ratio_low``,
        ``ratio_high`` (first over flushed); ``above_control`` (yes, no, not known);
        ``suggests`` and ``words``.

    Notes
    -----
    The shares are not probabilities of the home's state: they leave out how common lead lines
    are. No reading clears a home.
    """
    model = model or PairModel()
    first_low, first_high, flushed_low, flushed_high = ends = tuple(
        pairs[name].to_numpy(float)
        for name in ("first_low", "first_high", "flushed_low", "flushed_high")
    )
    usable = (pairs["verdict"] != "not_usable").to_numpy(bool)
    informative = np.ones(len(pairs), dtype=bool)
    if reach is not None:
        informative = (reach.reindex(pairs.index) != "short of the line").to_numpy(bool)
    if (first_high == 0).any() or (flushed_high == 0).any():
        raise ArgumentError("a reading of exactly zero says nothing; give it as below its limit")
    premise = special.softmax(log_likelihoods(first_low, first_high, model.first), axis=1)
    flushed = log_likelihoods(flushed_low, flushed_high, model.flushed)
    log_ratio = np.where(informative, flushed[:, 1] - flushed[:, 0], 0.0)
    ratio = np.exp(np.clip(log_ratio, *np.log(model.bounds())))
    line = ratio / (1 + ratio)
    shares = np.concatenate([premise * (1 - line)[:, None], premise * line[:, None]], axis=1)
    both_there = ~np.isnan(first_high) & ~np.isnan(flushed_high)
    unread = ~usable | (np.isnan(first_high) & np.isnan(flushed_high))
    best = shares.argmax(axis=1)
    settled = (shares.max(axis=1) >= model.settled_at) & both_there
    choice = np.where(unread, 5, np.where(settled, best, 4))
    suggests = np.array(SUGGESTIONS, dtype=object)[choice]
    words = np.array([WORDS[name] for name in SUGGESTIONS], dtype=object)[choice]
    doubt = (pairs["verdict"] == "usable_with_doubt").to_numpy(bool) & ~unread
    words[doubt] = words[doubt] + " The kit is in doubt."
    low, high = ratio_interval(*ends)
    out = pd.DataFrame({"kit_id": pairs["kit_id"], "parcel_id": pairs["parcel_id"]})
    for k, cause in enumerate(CAUSES):
        out[f"share_{cause}"] = np.where(unread, np.nan, shares[:, k])
    out["line_ratio"] = np.where(unread, np.nan, ratio)
    out["ratio_low"], out["ratio_high"] = low, high
    out["above_control"] = _above(flushed_low, flushed_high, threshold, ~unread)
    out["suggests"] = pd.Categorical(suggests, categories=SUGGESTIONS)
    out["words"] = words
    return out


@dataclass(frozen=True)
class PairReading:
    """Reading of the two bottles of one home; see :func:`read_pairs` for the meaning.

    Attributes
    ----------
    shares : dict of str to float
        Likelihood of each cause, adding up to 1.
    line_ratio : float
        Likelihood of a lead line over none.
    ratio : (float, float)
        First over flushed, as an interval.
    suggests, words : str
        What the pair suggests, and what it cannot rule out.
    """

    shares: dict[Cause, float]
    line_ratio: float
    ratio: tuple[float, float]
    suggests: str
    words: str


def read_pair(
    first: float | tuple[float, float] | None,
    flushed: float | tuple[float, float] | None,
    *,
    model: PairModel | None = None,
) -> PairReading:
    """Read the two bottles of one home.

    Parameters
    ----------
    first, flushed : float, (float, float) or None
        Lead [ug/L]: a measured value, an interval such as ``(0, 1)`` for a result below 1, or
        None for a missing bottle.
    model : PairModel, optional
        What the bottles show under each cause.

    Returns
    -------
    PairReading

    Raises
    ------
    ArgumentError
        If an interval is empty or negative.

    Examples
    --------
    >>> found = read_pair(22.0, (0, 1))
    >>> found.suggests, found.ratio
    ('premise', (22.0, inf))
    >>> read_pair((0, 1), (0, 1)).words
    'Neither bottle points to a single source; no level of lead is known to be safe. \
A lead service line cannot be ruled out.'
    """
    row: dict[str, list[object]] = {"kit_id": [""], "parcel_id": [""], "verdict": ["usable"]}
    for draw, reading in (("first", first), ("flushed", flushed)):
        ends = (np.nan, np.nan) if reading is None else reading
        low, high = np.broadcast_to(np.asarray(ends, dtype=float), 2).tolist()
        if low > high or low < 0:
            raise ArgumentError(f"the {draw} reading {reading} is not an interval from 0 upwards")
        row[f"{draw}_low"], row[f"{draw}_high"] = [low], [high]
    found = read_pairs(pd.DataFrame(row), model=model).iloc[0]
    return PairReading(
        shares={cause: float(found[f"share_{cause}"]) for cause in CAUSES},
        line_ratio=float(found["line_ratio"]),
        ratio=(float(found["ratio_low"]), float(found["ratio_high"])),
        suggests=str(found["suggests"]),
        words=str(found["words"]),
    )


def _above(
    low: np.ndarray, high: np.ndarray, threshold: float | None, readable: np.ndarray
) -> pd.Categorical:
    """Say whether the flushed reading lies above the control threshold."""
    kinds = ("yes", "no", "not known")
    state = np.full(low.size, 2)
    if threshold is not None:
        state = np.where(low > threshold, 0, np.where(high <= threshold, 1, 2))
    state = np.where(readable & ~np.isnan(high), state, 2)
    return pd.Categorical(np.array(kinds, dtype=object)[state], categories=kinds)
