"""What checks and records say of a home, as labels to judge by."""

from __future__ import annotations

import numpy as np
import pandas as pd


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
        seen, NaN not checked), ``sides_seen`` (0, 1, 2), ``why`` and ``checked_on`` of the
        earliest look, since that one decides how the home came to be known.
    """
    seen = checks[checks["material"].ne("unknown")]
    seen = seen[seen["parcel_id"].isin(parcel_ids)].sort_values(
        ["checked_on", "side"], kind="stable"
    )
    lead = seen["material"].eq("lead").groupby(seen["parcel_id"]).any()
    groups = seen.groupby("parcel_id")
    table = pd.DataFrame(
        {
            "label": lead.astype(float),
            "sides_seen": groups["side"].nunique(),
            "why": groups["why"].first().astype(object),
            "checked_on": groups["checked_on"].first(),
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
