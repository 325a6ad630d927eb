"""What checks and records say of a home, as labels to judge by."""

from __future__ import annotations

import numpy as np
import pandas as pd

from linemap.evaluation.frame import APART


def check_labels(checks: pd.DataFrame, parcel_ids: pd.Index) -> pd.DataFrame:
    """Return what field checks found at each home.

    Parameters
    ----------
    checks : DataFrame
        By the ``checks`` contract. Looks that saw an unknown material say nothing and are left
        out.
    parcel_ids : Index
        Homes, in the order wanted.

    Returns
    -------
    DataFrame
        Indexed by ``parcel_ids``: ``checked`` (bool), ``label`` (1 lead on any side, 0 none
        seen, NaN not checked), ``sides_seen`` (0, 1, 2), ``why`` of the earliest look, since
        that one decides how the home came to be known, and ``checked_on`` of the latest, on
        which the label rests.

    Notes
    -----
    The latest look at each side holds, as it does for the scores; of two on one day the one
    that saw lead, as in the inventory. Looks made on suspicion or from a list count only at
    homes with no other look.
    """
    seen = checks[checks["material"].ne("unknown") & checks["parcel_id"].isin(parcel_ids)]
    picked = seen["why"].isin(APART)
    others = seen.loc[~picked, "parcel_id"]
    seen = seen[~(picked & seen["parcel_id"].isin(others))]
    seen = seen.assign(lead=seen["material"].eq("lead")).sort_values(
        ["checked_on", "lead", "side"], kind="stable", na_position="first"
    )
    why = seen["why"].astype(object).where(seen["why"].notna(), "unknown")
    latest = seen.drop_duplicates(["parcel_id", "side"], keep="last").groupby("parcel_id")
    table = pd.DataFrame(
        {
            "label": latest["lead"].any().astype(float),
            "sides_seen": latest["side"].nunique(),
            "why": why.groupby(seen["parcel_id"]).first(),
            "checked_on": latest["checked_on"].last(),
        }
    ).reindex(parcel_ids)
    table.insert(0, "checked", table["label"].notna())
    table["sides_seen"] = table["sides_seen"].fillna(0).astype(int)
    table["why"] = table["why"].where(table["why"].notna(), "unknown")
    return table


def record_labels(lines: pd.DataFrame, parcel_ids: pd.Index) -> pd.Series:
    """Return what the city record says of each home: 1 lead on any side, 0 none, NaN not told.

    Parameters
    ----------
    lines : DataFrame
        By the ``lines`` contract.
    parcel_ids : Index
        Homes, in the order wanted.

    Returns
    -------
    Series of float
        Indexed by ``parcel_ids``. These are records, never called truth.
    """
    sides = lines[["utility_material", "customer_material"]]
    lead = (sides == "lead").any(axis=1)
    told = (sides != "unknown").any(axis=1)
    label = pd.Series(
        np.where(lead, 1.0, np.where(told, 0.0, np.nan)), index=pd.Index(lines["parcel_id"])
    )
    return label.groupby(level=0).max().reindex(parcel_ids)
