"""Ways to hide checks: five protocols, each with what it can and cannot tell.

In every protocol the checks of the hidden homes leave the model; their records, kits and
answers stay usable as evidence, as they would be for a home nobody has looked at yet. A home
counts once, however often and on whichever side it was checked.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.stats import wasserstein_distance

from linemap.evaluation.space import block_numbers, nearest_distance
from linemap.evaluation.words import CHECKS, Words
from linemap.published import fact

IntArray = NDArray[np.int64]

NAMES = {
    "random": "hidden at random",
    "blocks": "hidden by place",
    "matched": "hidden far from the others",
    "time": "forward in time",
    "audit": "random checks only",
}
"""Protocols in words."""

FEWEST_DATED = 10
"""Dated homes below which no later check is predicted from earlier ones; our choice."""


@dataclass(frozen=True)
class Split:
    """One fit: whose checks are hidden, and which of these homes are judged.

    Attributes
    ----------
    hidden : Index
        Parcels whose checks are hidden.
    judged : Index
        Parcels held against their check; all of them hidden.
    """

    hidden: pd.Index
    judged: pd.Index


@dataclass(frozen=True)
class Protocol:
    """A way of hiding checks.

    Attributes
    ----------
    name : str
        ``random``, ``blocks``, ``matched`` or ``time``.
    text : str
        What is hidden and what the result can tell.
    splits : tuple of Split
    facts : dict
        Numbers that describe it, e.g. ``block_m``.
    """

    name: str
    text: str
    splits: tuple[Split, ...]
    facts: dict[str, Any] = field(default_factory=dict)


def balanced_folds(group: IntArray, folds: int, rng: np.random.Generator) -> IntArray:
    """Return a fold for each home, groups kept whole and folds of like size.

    Groups in random order, the largest first, each to the fold with fewest homes.

    Examples
    --------
    >>> fold = balanced_folds(np.array([0, 0, 0, 1, 2, 2]), 2, np.random.default_rng(1))
    >>> sorted(np.bincount(fold).tolist()), len(set(fold[:3].tolist()))
    ([3, 3], 1)
    """
    size = np.bincount(group)
    order = rng.permutation(len(size))
    order = order[np.argsort(-size[order], kind="stable")]
    fold_of, load = np.empty(len(size), dtype=np.int64), np.zeros(folds)
    for one in order:
        fold_of[one] = load.argmin()
        load[fold_of[one]] += size[one]
    return fold_of[group]


def _splits(checked: pd.DataFrame, fold: IntArray) -> tuple[Split, ...]:
    """Turn folds of the checked homes into splits."""
    judged = checked["judged"].to_numpy(dtype=bool)
    return tuple(
        Split(checked.index[fold == one], checked.index[(fold == one) & judged])
        for one in range(int(fold.max()) + 1)
        if (judged & (fold == one)).any()
    )


def _spots(checked: pd.DataFrame) -> tuple[pd.DataFrame, IntArray]:
    """Return homes at their spot, to a metre, and the number of the spot of each."""
    at = checked[["x", "y"]].astype(float).round()
    return at, np.asarray(at.groupby(["x", "y"]).ngroup(), dtype=np.int64)


def random_folds(
    checked: pd.DataFrame, *, folds: int, rng: np.random.Generator, words: Words = CHECKS
) -> Protocol:
    """Hide homes at random, homes at one spot together.

    Parameters
    ----------
    checked : DataFrame
        Checked homes indexed by ``parcel_id`` with ``x``, ``y`` [m] and ``judged`` (bool).
    folds : int
        At most as many as spots are made.
    rng : numpy.random.Generator
    words : Words

    Returns
    -------
    Protocol
    """
    _, spot = _spots(checked)
    folds = min(folds, int(spot.max()) + 1)
    fold = balanced_folds(spot, folds, rng)
    return Protocol(
        "random",
        f"{words.homes.capitalize()} homes hidden at random in {folds} folds. Next-door "
        f"neighbours stay visible, so this flatters any model that knows the street. "
        f"{words.hidden}",
        _splits(checked, fold),
        {"folds": folds},
    )


def block_folds(
    checked: pd.DataFrame,
    *,
    size_m: float,
    folds: int,
    rng: np.random.Generator,
    range_m: float = np.nan,
    words: Words = CHECKS,
) -> Protocol:
    """Hide whole square blocks.

    Parameters
    ----------
    checked : DataFrame
        As in :func:`random_folds`.
    size_m : float
        Edge of a block [m]; at least the range over which neighbours resemble each other, where
        enough blocks remain.
    folds : int
    rng : numpy.random.Generator
    range_m : float
        Distance over which checked lines of one age resemble each other [m]; NaN if not known.
    words : Words

    Returns
    -------
    Protocol

    References
    ----------
    Roberts et al. 2017, Ecography 40, 913-929; Valavi et al. 2019, Methods Ecol. Evol. 10,
    225-232.
    """
    block = _blocks(checked, size_m, rng)
    folds = min(folds, int(block.max()) + 1)
    return Protocol(
        "blocks",
        f"Whole square blocks of {size_m:,.0f} m hidden in {folds} folds: what to expect where "
        f"no {words.one} is nearby. {_edge(size_m, range_m, words)} For comparison, neighbours' "
        f"lead lines were alike up to {fact('evaluation.spatial_range_flint').value:,.0f} m in "
        f"Flint. {words.hidden}",
        _splits(checked, balanced_folds(block, folds, rng)),
        {"folds": folds, "block_m": float(size_m), "blocks": int(block.max()) + 1},
    )


def _edge(size_m: float, range_m: float, words: Words) -> str:
    """Say how the edge of the blocks lies to the range over which lines are alike."""
    if np.isnan(range_m):
        return f"Over what distance {words.homes} lines of one age are alike could not be told."
    known = (
        f"Lines of one age are alike up to about {range_m:,.0f} m, by the variogram of "
        f"{words.many} less the rate of their building decade"
    )
    if words is CHECKS:
        known += " (of record entries where checks are too few)"
    if size_m >= range_m * 0.999:
        return f"{known}; the blocks are at least as large."
    return (
        f"{known}. The blocks are smaller, since blocks of that size would be too few to judge "
        "by: these figures still flatter a little."
    )


def _blocks(checked: pd.DataFrame, size_m: float, rng: np.random.Generator) -> IntArray:
    shift = rng.random(2)
    return block_numbers(
        checked["x"].to_numpy(float), checked["y"].to_numpy(float), size_m, (shift[0], shift[1])
    )


def fold_distances(xy: NDArray[np.float64], fold: IntArray) -> NDArray[np.float64]:
    """Return each home's distance [m] to the nearest home of another fold."""
    out = np.empty(len(xy))
    for one in np.unique(fold):
        own = fold == one
        out[own] = nearest_distance(xy[own], xy[~own])
    return out


def matched_folds(
    checked: pd.DataFrame,
    asked: pd.DataFrame,
    *,
    folds: int,
    rng: np.random.Generator,
    words: Words = CHECKS,
) -> Protocol:
    """Hide homes so that the nearest visible check is as far away as in real use.

    Folds of blocks of many sizes, single spots first, are drawn; the set is kept whose
    distances from a hidden check to the nearest visible one are closest to the distances
    from the homes asked about to their nearest check (Wasserstein distance of the two
    distributions).

    Parameters
    ----------
    checked : DataFrame
        As in :func:`random_folds`.
    asked : DataFrame
        Homes that the scores are for, with ``x``, ``y`` [m].
    folds : int
        At most as many as spots are made.
    rng : numpy.random.Generator
    words : Words

    Returns
    -------
    Protocol
        ``facts``: ``block_m`` chosen (0: single spots), ``mismatch_m`` and, of the first
        random set, ``mismatch_random_m`` [m].

    Notes
    -----
    The paper forms the groups by clustering; square blocks of growing size serve the same
    search in a few lines and at a million homes.

    References
    ----------
    Linnenbrink et al. 2024, Geosci. Model Dev. 17, 5897-5912.
    """
    spots, spot = _spots(checked)
    folds = min(folds, int(spot.max()) + 1)
    xy = checked[["x", "y"]].to_numpy(float)
    goal_xy = asked[["x", "y"]].to_numpy(float)
    if len(goal_xy) > 5000:
        goal_xy = goal_xy[rng.choice(len(goal_xy), 5000, replace=False)]
    goal = nearest_distance(goal_xy, xy)
    extent = float(max(np.ptp(xy[:, 0]), np.ptp(xy[:, 1]), 1.0))
    sizes = [0.0, *np.repeat(np.geomspace(extent / 200, extent / 2, 14), 3)]
    best: tuple[float, float, IntArray] | None = None
    first = float("nan")
    for size in sizes:
        block = spot if size == 0 else _blocks(spots, float(size), rng)
        if block.max() + 1 < folds:
            continue
        fold = balanced_folds(block, folds, rng)
        if size > 0 and np.bincount(fold).max() > 2 * len(fold) / folds:
            continue
        mismatch = float(wasserstein_distance(fold_distances(xy, fold), goal))
        first = mismatch if size == 0 else first
        if best is None or mismatch < best[0]:
            best = (mismatch, float(size), fold)
    assert best is not None  # single spots always qualify
    mismatch, size, fold = best
    unit = "single spots" if size == 0 else f"blocks of about {size:,.0f} m"
    return Protocol(
        "matched",
        f"{words.homes.capitalize()} homes hidden in {folds} folds of {unit}, chosen so that the "
        f"nearest visible {words.one} is as far from a judged home as it is from the homes that "
        f"the scores are for: what to expect in use, if the {words.homes} homes are like the "
        f"others. {words.hidden}",
        _splits(checked, fold),
        {
            "folds": folds,
            "block_m": size,
            "mismatch_m": mismatch,
            "mismatch_random_m": first,
            "median_distance_m": float(np.median(fold_distances(xy, fold))),
            "median_distance_in_use_m": float(np.median(goal)),
        },
    )


def time_splits(
    checked: pd.DataFrame, *, at: tuple[float, ...] = (0.5, 0.75), words: Words = CHECKS
) -> Protocol | None:
    """Let earlier checks predict later ones.

    Parameters
    ----------
    checked : DataFrame
        As in :func:`random_folds`, with ``checked_on`` (date).
    at : tuple of float
        Cuts, as shares of the judged homes in order of date.
    words : Words

    Returns
    -------
    Protocol or None
        None where fewer than :data:`FEWEST_DATED` homes are dated, or no home is later than the
        cuts, as where more than half are of the last day.
    """
    day = pd.to_datetime(checked["checked_on"])
    dated = checked["judged"].to_numpy(dtype=bool) & day.notna().to_numpy()
    if dated.sum() < FEWEST_DATED:
        return None
    ranked = day[dated].sort_values(kind="stable")
    cuts = sorted({ranked.iloc[int(share * (len(ranked) - 1))] for share in at})
    cuts = [cut for cut in cuts if (day[dated] > cut).any()]
    if not cuts:
        return None
    ends = [*cuts[1:], None]
    splits = []
    for cut, end in zip(cuts, ends, strict=True):
        later = dated & (day > cut).to_numpy()
        if end is not None:
            later &= (day <= end).to_numpy()
        splits.append(Split(checked.index[~(day <= cut).to_numpy()], checked.index[later]))
    days = ", ".join(f"{cut:%Y-%m-%d}" for cut in cuts)
    return Protocol(
        "time",
        f"{words.many.capitalize()} up to {days} predict the later ones; homes without a date "
        f"are hidden and not judged. Only {words.many} are turned back: all other evidence is that "
        f"of today. {words.hidden}",
        tuple(splits),
        {"cuts": days, "folds": len(splits)},
    )


def fitting_block_m(
    checked: pd.DataFrame, *, wanted_m: float, folds: int, least_per_fold: int = 3
) -> float:
    """Return the largest block edge [m], not above ``wanted_m``, that leaves enough blocks.

    At least ``least_per_fold`` blocks with checked homes per fold must remain.
    """
    x, y = checked["x"].to_numpy(float), checked["y"].to_numpy(float)
    size = wanted_m
    enough: Callable[[float], bool] = lambda m: (  # noqa: E731
        block_numbers(x, y, m, (0.0, 0.0)).max() + 1 >= least_per_fold * folds
    )
    while size > 1 and not enough(size):
        size *= 0.9
    return float(size)
