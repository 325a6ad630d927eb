"""What the scores must beat: five simpler ways, all learned from the visible checks only."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from sklearn.ensemble import HistGradientBoostingClassifier
from sklearn.neighbors import NearestNeighbors

Array = NDArray[np.float64]

RANK_ONLY = ("age rule", "records as they are")
"""Baselines that order homes but state no probability."""

NEIGHBOURS = 15
"""Checked neighbours asked by the kNN baseline; our choice."""

NOT_EVIDENCE = (
    "area_id",
    "median_income",
    "checked",
    "label",
    "why",
    "checked_on",
    "sides_seen",
    "judged",
    "block",
)
"""Columns of the evaluation frame that no baseline may learn from."""

MEANING: dict[str, str] = {
    "age rule": "older building first; homes of unknown age at the median age",
    "decade rate": "share of lead among visible checks of the same building decade, shrunk",
    "nearest checks": f"share of lead among the {NEIGHBOURS} nearest visible checks, shrunk",
    "records as they are": "recorded lead first, then unknown, then recorded non-lead",
    "plain boosting": "gradient-boosted trees on all features, record, answers and bottles, from "
    "visible checks",
}
"""What each baseline does."""


def evidence_columns(frame: pd.DataFrame) -> list[str]:
    """Return the columns of the evaluation frame that may serve as features."""
    return [name for name in frame.columns if name not in NOT_EVIDENCE]


def feature_matrix(frame: pd.DataFrame) -> pd.DataFrame:
    """Return the features as numbers; text and categories become codes, missing stays NaN."""
    out = {}
    for name in evidence_columns(frame):
        column = frame[name]
        if pd.api.types.is_bool_dtype(column) or pd.api.types.is_numeric_dtype(column):
            out[name] = column.to_numpy(dtype=float, na_value=np.nan)
        elif pd.api.types.is_datetime64_any_dtype(column):
            out[name] = column.to_numpy(dtype="datetime64[D]").astype(float)
            out[name][column.isna().to_numpy()] = np.nan
        else:
            codes = pd.factorize(column.astype("string"), sort=True)[0].astype(float)
            out[name] = np.where(codes < 0, np.nan, codes)
    return pd.DataFrame(out, index=frame.index)


def age_score(year: Array) -> Array:
    """Return a score that is higher the older the building [minus years]."""
    known = year[np.isfinite(year)]
    middle = float(np.median(known)) if len(known) else 0.0
    return -np.where(np.isfinite(year), year, middle)


def decade_rate(
    year: Array, seen_year: Array, seen_label: Array, *, strength: float = 10.0
) -> Array:
    """Return the lead rate of visible checks by decade, shrunk to their overall rate.

    Parameters
    ----------
    year : ndarray, shape (n homes,)
        Building years to look up; NaN forms a class of its own.
    seen_year, seen_label : ndarray, shape (n visible checks,)
    strength : float
        Checks' worth of the overall rate added to each decade.

    Returns
    -------
    ndarray, shape (n homes,)

    Examples
    --------
    >>> decade_rate(np.array([1905.0]), np.array([1901.0, 1950]), np.array([1.0, 0]), strength=0)
    array([1.])
    """
    rate = seen_label.mean()

    def decade(values: Array) -> Array:
        return np.where(np.isfinite(values), np.floor(values / 10), -1)

    sums = pd.Series(seen_label).groupby(decade(seen_year)).agg(["sum", "size"])
    by_decade = (sums["sum"] + strength * rate) / (sums["size"] + strength)
    return pd.Series(decade(year)).map(by_decade).fillna(rate).to_numpy(dtype=float, copy=True)


def nearest_checks_rate(
    xy: Array, seen_xy: Array, seen_label: Array, *, k: int = NEIGHBOURS
) -> Array:
    """Return the lead rate of the nearest visible checks, with one check's worth of the overall."""
    k = min(k, len(seen_xy))
    number = NearestNeighbors(n_neighbors=k).fit(seen_xy).kneighbors(xy, return_distance=False)
    return (seen_label[number].sum(axis=1) + seen_label.mean()) / (k + 1)


def record_score(record_lead: Array) -> Array:
    """Return 1 for recorded lead, 0 for recorded non-lead and one half for no record."""
    return np.where(np.isfinite(record_lead), record_lead, 0.5)


def boosting(
    features: pd.DataFrame,
    seen: NDArray[np.bool_],
    asked: NDArray[np.bool_],
    label: Array,
    seed: int,
) -> Array:
    """Return probabilities of boosted trees learned on the visible checks."""
    model = HistGradientBoostingClassifier(
        learning_rate=0.1,
        max_iter=60,
        max_leaf_nodes=8,
        min_samples_leaf=15,
        l2_regularization=1.0,
        early_stopping=False,
        random_state=seed,
    )
    x = features.to_numpy(dtype=float)
    x = x[:, np.isfinite(x[seen]).any(axis=0)]
    model.fit(x[seen], label[seen])
    return np.asarray(model.predict_proba(x[asked])[:, 1], dtype=float)


def baseline_scores(
    frame: pd.DataFrame, features: pd.DataFrame, hidden: pd.Index, judged: pd.Index, *, seed: int
) -> pd.DataFrame:
    """Return the score of every baseline for the judged homes.

    Parameters
    ----------
    frame : DataFrame
        Evaluation frame with ``judged`` (bool): homes whose check may be learned from.
    features : DataFrame
        :func:`feature_matrix` of it.
    hidden, judged : Index
        Parcels whose checks are hidden; parcels to score.
    seed : int

    Returns
    -------
    DataFrame
        Indexed by ``judged``, one column per baseline of :data:`MEANING`; NaN where a
        baseline had nothing to learn from.
    """
    visible = frame["judged"].to_numpy(dtype=bool) & ~frame.index.isin(hidden)
    asked = frame.index.get_indexer(judged)
    label = frame["label"].to_numpy(dtype=float, na_value=np.nan)
    year = frame["year_built"].to_numpy(dtype=float, na_value=np.nan)
    xy = frame[["x", "y"]].to_numpy(dtype=float)
    out = pd.DataFrame(np.nan, index=judged, columns=list(MEANING))
    out["age rule"] = age_score(year)[asked]
    record = frame["record_lead"].to_numpy(dtype=float, na_value=np.nan)
    out["records as they are"] = record_score(record)[asked]
    if not visible.any():
        return out
    out["decade rate"] = decade_rate(year[asked], year[visible], label[visible])
    out["nearest checks"] = nearest_checks_rate(xy[asked], xy[visible], label[visible])
    if 0 < label[visible].mean() < 1:
        rows = np.zeros(len(frame), dtype=bool)
        rows[asked] = True
        place = pd.Series(boosting(features, visible, rows, label, seed), index=frame.index[rows])
        out["plain boosting"] = place.reindex(judged)
    return out
