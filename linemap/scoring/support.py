"""Where the data end: homes unlike any that evidence speaks of."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.spatial import cKDTree

LEAST_HOMES = 10
YEARS_AROUND = 5


def beyond_data(features: pd.DataFrame, taught: np.ndarray, reach_m: float) -> pd.DataFrame:
    """Say where era, use or place has no support in what was learned from.

    Parameters
    ----------
    features : DataFrame
    taught : ndarray of bool, shape (n_homes,)
        Homes with evidence that was learned from.
    reach_m : float
        Distance [m] within which evidence speaks for a place.

    Returns
    -------
    DataFrame of bool
        ``era``: fewer than 10 taught homes within five years of the home's year. ``use``: fewer
        than 10 taught homes of its use. Homes whose year or use is not known are a kind of
        their own. ``place``: no taught home within ``reach_m``.
    """
    out = pd.DataFrame(False, index=features.index, columns=["era", "use", "place"])
    year = features["year_built"].to_numpy(dtype=float)
    known = ~np.isnan(year)
    seen = np.sort(year[known & taught])
    near = np.searchsorted(seen, year + YEARS_AROUND, side="right")
    near = near - np.searchsorted(seen, year - YEARS_AROUND, side="left")
    near = np.where(known, near, (~known & taught).sum())
    out["era"] = near < LEAST_HOMES
    use = features["land_use"].astype(object)
    use = use.where(use.notna(), "not known") if use.notna().any() else use
    counts = use[taught].value_counts()
    out["use"] = use.notna() & (use.map(counts).fillna(0).astype(float) < LEAST_HOMES)
    place = features[["x", "y"]].to_numpy()
    out["place"] = ~taught
    if taught.any():
        nearest = cKDTree(place[taught])
        distance = nearest.query(place[~taught], distance_upper_bound=reach_m, workers=-1)[0]
        out.loc[~taught, "place"] = ~np.isfinite(distance)
    return out
