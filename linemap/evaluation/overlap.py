"""How unlike the checked homes are the homes nobody has looked at."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from sklearn.ensemble import HistGradientBoostingClassifier
from sklearn.model_selection import StratifiedKFold, cross_val_predict

from linemap.evaluation.intervals import block_weights, percentiles
from linemap.evaluation.measures import auc
from linemap.evaluation.space import nearest_distance

Array = NDArray[np.float64]

SUPPORT_TAIL = 0.01
"""Unknown homes less likely to be checked than this share of the checked are outside support."""

HEAVIEST_WEIGHT = 0.98
"""Inverse propensities above this quantile are held at it."""

DRAWS = 100
"""Times that blocks are drawn again for an interval."""

RESIDENTS = ("kit_", "answer_")
"""Beginnings of columns that residents filled: checks often follow them, buildings do not."""


@dataclass(frozen=True)
class Overlap:
    """Checked homes against unknown ones.

    Attributes
    ----------
    auc_building, auc_place : float
        Chance that a checked home can be told from an unknown one by its building alone, and
        by all its features with its place; 0.5: alike.
    building_low, building_high : float
        95% interval of ``auc_building``, whole blocks drawn again; NaN with too few blocks.
    outside_building : float
        Share of unknown homes less likely to be checked, by building, than all but 1% of the
        checked.
    far_share : float
        Share of unknown homes farther from any check than the spatial range.
    median_distance_m : float
        Median distance of an unknown home to the nearest check [m].
    weights : Series
        Inverse propensity of each checked home, mean 1.
    """

    auc_building: float
    auc_place: float
    building_low: float
    building_high: float
    outside_building: float
    far_share: float
    median_distance_m: float
    weights: pd.Series


def _chance_of_check(x: Array, checked: NDArray[np.bool_], seed: int) -> Array:
    """Return cross-fitted chances that each row is a checked one."""
    model = HistGradientBoostingClassifier(
        learning_rate=0.1,
        max_iter=40,
        max_leaf_nodes=8,
        min_samples_leaf=20,
        l2_regularization=1.0,
        early_stopping=False,
        random_state=seed,
    )
    x = x[:, np.isfinite(x[checked]).any(axis=0)]
    cuts = StratifiedKFold(n_splits=3, shuffle=True, random_state=seed)
    return np.asarray(cross_val_predict(model, x, checked, cv=cuts, method="predict_proba")[:, 1])


def compare_checked(
    frame: pd.DataFrame,
    features: pd.DataFrame,
    *,
    range_m: float,
    rng: np.random.Generator,
    most_rows: int = 15_000,
) -> Overlap:
    """Measure the overlap of checked and unknown homes by a classifier two-sample test.

    Parameters
    ----------
    frame : DataFrame
        Evaluation frame with ``judged`` (bool) and ``block`` (int).
    features : DataFrame
        Numeric features, same index; the record is left out, since it makes a home unknown.
    range_m : float
        Distance beyond which a check says little [m]; NaN: not judged.
    rng : numpy.random.Generator
    most_rows : int
        Homes without a check that are drawn at most.

    Returns
    -------
    Overlap

    References
    ----------
    Lopez-Paz and Oquab 2017, Revisiting classifier two-sample tests (ICLR).
    """
    judged = frame["judged"].to_numpy(dtype=bool)
    open_homes = np.flatnonzero(~frame["checked"].to_numpy(dtype=bool))
    seen = np.flatnonzero(judged)
    nothing = pd.Series(1.0, index=frame.index[seen])
    if len(seen) < 20 or len(open_homes) < 20:
        nan = float("nan")
        return Overlap(nan, nan, nan, nan, nan, nan, nan, nothing)
    drawn = open_homes
    if len(open_homes) > most_rows:
        drawn = np.sort(rng.choice(open_homes, most_rows, replace=False))
    rows = np.r_[seen, drawn]
    is_seen = np.r_[np.ones(len(seen), bool), np.zeros(len(drawn), bool)]
    unknown = frame["record_lead"].isna().to_numpy()[rows] & ~is_seen
    if unknown.sum() < 20:
        unknown = ~is_seen
    seed = int(rng.integers(2**31))
    place = features.drop(columns=["record_lead"], errors="ignore")
    building = place.loc[:, ~place.columns.str.startswith(RESIDENTS)].drop(columns=["x", "y"])
    chance_place = _chance_of_check(place.to_numpy(float)[rows], is_seen, seed)
    if building.shape[1]:
        chance_building = _chance_of_check(building.to_numpy(float)[rows], is_seen, seed)
    else:
        chance_building = np.full(len(rows), is_seen.mean())
    pool = is_seen | unknown
    floor = np.quantile(chance_building[is_seen], SUPPORT_TAIL)
    xy = frame[["x", "y"]].to_numpy(float)
    distance = nearest_distance(xy[rows[unknown]], xy[seen])
    far = float((distance > range_m).mean()) if np.isfinite(range_m) else float("nan")
    block = frame["block"].to_numpy(np.int64)[rows][pool]
    counts = np.vstack([np.ones(len(block)), block_weights(block, DRAWS, rng)])
    label = is_seen[pool].astype(float)
    by_building = auc(label, chance_building[pool], counts)
    low, high = percentiles(by_building[1:], len(np.unique(block)))
    return Overlap(
        auc_building=float(by_building[0]),
        auc_place=float(auc(label, chance_place[pool], counts[:1])[0]),
        building_low=low,
        building_high=high,
        outside_building=float((chance_building[unknown] < floor).mean()),
        far_share=far,
        median_distance_m=float(np.median(distance)),
        weights=_inverse(chance_place[is_seen], len(drawn) / len(open_homes), nothing.index),
    )


def _inverse(chance: Array, drawn_share: float, index: pd.Index) -> pd.Series:
    """Return held inverse propensities with mean 1, chances brought back to all homes."""
    chance = np.clip(chance, 1e-4, 1 - 1e-4)
    odds = chance / (1 - chance) * drawn_share
    weight = (1 + odds) / odds
    weight = np.minimum(weight, np.quantile(weight, HEAVIEST_WEIGHT))
    return pd.Series(weight / weight.mean(), index=index)
