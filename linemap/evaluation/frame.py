"""The frame that is judged: its contract, counts and groups of homes."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from linemap.errors import ArgumentError
from linemap.tables import contract

NEEDED = ("x", "y", "year_built", "land_use", "area_id", "median_income", "checked", "label",
          "why", "checked_on", "record_lead")  # fmt: skip

REASONS = contract("checks")["why"].allowed

APART = ("suspected", "listed")
"""Reasons that pick homes because lead is likely there; such homes are not judged on."""

FEWEST_JUDGED = 20
FEWEST_JUDGED_OF_A_KIND = 5
"""Checks below which nothing is judged; our choice."""

ERAS = ((-np.inf, 1930, "before 1930"), (1930, 1950, "1930-1949"), (1950, 1986, "1950-1985"),
        (1986, 1989, "1986-1988"), (1989, np.inf, "1989 and later"))  # fmt: skip
"""Building eras [year]; common practice around the bans of 1986 and 1988."""


def prepare(frame: pd.DataFrame, labels: str) -> pd.DataFrame:
    """Hold the evaluation frame to its contract.

    Parameters
    ----------
    frame : DataFrame
        As in :func:`linemap.evaluation.evaluate`.
    labels : {"checks", "records"}

    Returns
    -------
    DataFrame
        A copy with ``judged`` (bool): homes whose finding may be judged by and learned from.

    Raises
    ------
    ArgumentError
        If a column is missing or holds what it may not.
    """
    missing = [name for name in NEEDED if name not in frame.columns]
    if missing:
        raise ArgumentError(f"the evaluation frame lacks {', '.join(missing)}; add them")
    if not frame.index.is_unique:
        raise ArgumentError("the evaluation frame has a parcel twice; one row per home is needed")
    data = frame.copy()
    data["checked"] = data["checked"].astype(bool)
    data["label"] = data["label"].astype(float)
    data["record_lead"] = data["record_lead"].astype(float)
    for name in ("label", "record_lead"):
        if not data[name].dropna().isin((0.0, 1.0)).all():
            raise ArgumentError(f"{name} may hold 1, 0 and NaN only")
    if not np.isfinite(data[["x", "y"]].to_numpy(dtype=float)).all():
        raise ArgumentError("x and y must be known for every parcel [m]")
    why = data["why"].astype(object)
    data["why"] = why.where(why.isin(REASONS), "unknown")
    if labels == "records":
        data["checked"] = data["label"].notna()
        data["record_lead"] = np.nan
        data["why"] = "unknown"
    elif (data["label"].notna() & ~data["checked"]).any():
        raise ArgumentError(
            "a label stands at a home that was not checked; labels come from checks"
        )
    told = data["checked"] & data["label"].notna() & ~data["why"].isin(APART)
    if "sides_seen" in data.columns and labels == "checks":
        whole = told & (data["sides_seen"] >= 2)
        told = whole if enough(data.loc[whole, "label"]) else told
    data["judged"] = told
    return data


def drawn_at_random(data: pd.DataFrame) -> np.ndarray:
    """Return which homes were drawn at random and told of (bool), however many sides were seen.

    Crews often look no further once the first side was lead. Left out as seen on one side, such
    homes would take their lead with them, and the rest of the draw would be no fair picture.
    """
    told = data["checked"] & data["label"].notna() & (data["why"] == "random")
    return np.asarray(told, dtype=bool)


def enough(label: pd.Series) -> bool:
    """Return whether there are labels enough to judge by."""
    lead = label.sum()
    return len(label) >= FEWEST_JUDGED and min(lead, len(label) - lead) >= FEWEST_JUDGED_OF_A_KIND


def count_homes(data: pd.DataFrame, inside: np.ndarray) -> dict[str, Any]:
    """Return how many homes there are, checked, judged, and for what reason.

    ``inside`` (bool, one for each home) are the homes that are judged on.
    """
    judged = data[data["judged"] & inside]
    return {
        "homes": len(data),
        "homes_judged_on": int(inside.sum()),
        "homes_without_record": int(data["record_lead"].isna().sum()),
        "checked": int(data["checked"].sum()),
        "judged": len(judged),
        "judged_lead": int(judged["label"].sum()),
        "judged_by_reason": {k: int((judged["why"] == k).sum()) for k in REASONS},
    }


def group_homes(data: pd.DataFrame, index: pd.Index) -> pd.DataFrame:
    """Return the group of each judged home by era, area, income third, record and reason.

    Where incomes are too much alike to part homes into thirds, none is in one.
    """
    homes = data.loc[index]
    year = homes["year_built"].to_numpy(dtype=float)
    era = np.full(len(homes), "unknown year", dtype=object)
    for low, high, name in ERAS:
        era[(year >= low) & (year < high)] = name
    income = data["median_income"].astype(float)
    cuts = income.quantile([1 / 3, 2 / 3]).to_numpy()
    own = homes["median_income"].to_numpy(dtype=float)
    third = np.full(len(homes), None, dtype=object)
    third[np.isnan(own)] = "income unknown"
    if cuts[0] < cuts[1]:
        third[own <= cuts[0]] = "lowest third"
        third[(own > cuts[0]) & (own <= cuts[1])] = "middle third"
        third[own > cuts[1]] = "highest third"
    record = homes["record_lead"].map({1.0: "recorded lead", 0.0: "recorded non-lead"})
    return pd.DataFrame(
        {
            "era": era,
            "area": homes["area_id"].astype(object),
            "income": third,
            "record": record.astype(object).where(record.notna(), "no record"),
            "why": homes["why"],
        },
        index=index,
    )
