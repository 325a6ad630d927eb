"""What the public may see: area figures in which no home can be recognised.

A count of homes is printed only if at least ``smallest`` homes are in it and at least as many
are not; it is printed to the nearest ``smallest``. Whether a cell is hidden depends on counts
alone, never on which home is counted, so two runs that differ in one home either print the
same or differ in a cell in which at least ``smallest`` homes could have been the one.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from linemap.errors import ArgumentError

CITY_COUNTS = ("unknown_lines", "expected_lead_lines")
"""Counts that the public may see of the whole city, and so of each of its parts."""

PUBLIC_COUNTS = (*CITY_COUNTS, "tested_homes")
"""Counts of an area that the public may see where they are large enough."""


def suppress_small_counts(
    table: pd.DataFrame,
    *,
    counts: Sequence[str],
    total: str = "homes",
    smallest: int = 10,
) -> pd.DataFrame:
    """Hide counts that could point at a home, and round the others.

    1. A row with fewer than ``smallest`` homes is hidden whole.
    2. A count is hidden where it, or the rest of the row's homes, is below ``smallest``.
    3. Where a single cell of a column is hidden, it could be worked out from the column's
       total, so the cell of the next smallest row is hidden too. Which row that is follows
       from the numbers of homes alone.
    4. What is left is rounded to the nearest multiple of ``smallest``.

    Parameters
    ----------
    table : DataFrame
        One row for each group of homes, no home in two groups. Counts may be estimates.
    counts : sequence of str
        Columns with a number of homes out of ``total``.
    total : str
        Column with the number of homes.
    smallest : int
        Smallest count that may be printed [homes].

    Returns
    -------
    DataFrame
        Same index, columns ``total`` and ``counts``; NaN where hidden.

    Raises
    ------
    ArgumentError
        If ``smallest`` is below 2 or a count is negative, missing or above its total.

    References
    ----------
    .. [1] A. Hundepool and others, "Statistical Disclosure Control", Wiley (2012), chapters 4
       and 5: minimum frequency rule, secondary suppression, rounding. From memory.

    Examples
    --------
    >>> areas = pd.DataFrame({"homes": [200, 80, 9], "unknown_lines": [147, 6, 3]})
    >>> suppress_small_counts(areas, counts=["unknown_lines"])
       homes  unknown_lines
    0  200.0          150.0
    1    NaN            NaN
    2    NaN            NaN
    """
    if smallest < 2:
        raise ArgumentError(f"smallest is {smallest}; it must be 2 or more to protect anybody.")
    exact = table[[total, *counts]].astype(float)
    homes = exact[total].to_numpy()
    wrong = ~(exact.ge(0).all(axis=1) & exact.le(homes + 1e-6, axis=0).all(axis=1))
    if wrong.any():
        raise ArgumentError(
            f"{int(wrong.sum())} row(s) have a count that is missing, negative or above {total}; "
            f"the first is {table.index[wrong.to_numpy()][0]}."
        )
    shown = exact.copy()
    by_size = np.argsort(homes, kind="stable")
    for name in exact.columns:
        count = exact[name].to_numpy()
        rest = homes - count if name != total else homes
        hidden = (homes < smallest) | (count < smallest) | (rest < smallest)
        if hidden.sum() == 1:
            hidden[by_size[~hidden[by_size]][:1]] = True
        rounded = np.floor(count / smallest + 0.5) * smallest
        shown[name] = np.where(hidden, np.nan, rounded)
    return shown


def home_sums(scores: pd.DataFrame) -> pd.Series:
    """Return the counts behind the public figures of some homes; nothing is hidden here.

    Parameters
    ----------
    scores : DataFrame
        ``inventory_class`` and ``p_lead`` of each home.

    Returns
    -------
    Series
        ``homes, unknown_lines, expected_lead_lines`` [homes].
    """
    return pd.Series(
        {
            "homes": float(len(scores)),
            "unknown_lines": float(scores["inventory_class"].eq("lead status unknown").sum()),
            "expected_lead_lines": float(scores["p_lead"].sum()),
        }
    )


def outside_areas(scores: pd.DataFrame, area_list: pd.DataFrame) -> pd.Series:
    """Return the counts of the homes that lie in none of the areas; nothing is hidden here.

    Parameters
    ----------
    scores : DataFrame
        ``area_id``, ``inventory_class`` and ``p_lead`` of every home.
    area_list : DataFrame
        By the ``area_list`` contract.

    Returns
    -------
    Series
        As of :func:`home_sums`.
    """
    inside = scores["area_id"].astype("string").isin(area_list["area_id"].astype("string"))
    return home_sums(scores[~inside.to_numpy(dtype=bool, na_value=False)])


def public_areas(
    area_list: pd.DataFrame, *, outside: pd.Series | None = None, smallest: int = 10
) -> pd.DataFrame:
    """Return the figures of the planning areas that the public may see.

    Where homes lie in no area, they are one more part of the city: if a count of theirs alone
    were hidden, it could be worked out from the city's count and those of the areas, so the
    count of the smallest area is hidden beside it.

    Parameters
    ----------
    area_list : DataFrame
        By the ``area_list`` contract.
    outside : Series, optional
        Counts of the homes in no area, see :func:`outside_areas`; without it there are none.
    smallest : int
        Smallest count that may be printed [homes].

    Returns
    -------
    DataFrame
        Indexed by area_id in order of the id: ``name, homes, unknown_lines,
        expected_lead_lines, low, high, tested_homes`` (all in homes, rounded; the interval is
        rounded outward) and ``tested_share``; NaN where hidden.
    """
    table = area_list.reset_index() if area_list.index.name == "area_id" else area_list
    table = table.set_index(table["area_id"].astype(str)).sort_index()
    table["tested_homes"] = np.rint(table["tested_share"] * table["homes"])
    out = suppress_small_counts(table, counts=PUBLIC_COUNTS, smallest=smallest)
    if outside is not None and outside["homes"] > 0:
        parts = _parts_of_city(table, outside, smallest=smallest).iloc[:-1]
        out[parts.columns] = out[parts.columns].where(parts.notna().to_numpy())
    out.insert(0, "name", table["name"])
    seen = out["expected_lead_lines"].notna()
    out["low"] = (np.floor(table["low"] / smallest) * smallest).where(seen)
    out["high"] = (np.ceil(table["high"] / smallest) * smallest).where(seen)
    out["tested_share"] = (out["tested_homes"] / out["homes"]).round(2)
    return out.rename_axis("area_id")


def _parts_of_city(table: pd.DataFrame, outside: pd.Series, *, smallest: int) -> pd.DataFrame:
    """Return what is shown of the areas and, in the last row, of the homes in none."""
    names = ["homes", *CITY_COUNTS]
    parts = pd.concat([table[names].astype(float), outside[names].to_frame().T], ignore_index=True)
    return suppress_small_counts(parts, counts=CITY_COUNTS, smallest=smallest)


def public_interval(low: float, high: float, *, smallest: int = 10) -> tuple[float, float]:
    """Return an interval of a public figure, rounded outward.

    Examples
    --------
    >>> public_interval(4198.2, 5234.0)
    (4190.0, 5240.0)
    """
    return float(np.floor(low / smallest) * smallest), float(np.ceil(high / smallest) * smallest)


def public_city(
    scores: pd.DataFrame, area_list: pd.DataFrame, *, smallest: int = 10
) -> dict[str, Any]:
    """Return the city's figures that the public may see beside :func:`public_areas`.

    Parameters
    ----------
    scores : DataFrame
        ``area_id``, ``inventory_class`` and ``p_lead`` of every home, in an area or not.
    area_list : DataFrame
        By the ``area_list`` contract.
    smallest : int
        Smallest count that may be printed [homes].

    Returns
    -------
    dict
        ``homes, unknown_lines, expected_lead_lines`` [homes], rounded, NaN where hidden;
        ``any_outside``, whether homes lie in no area, and ``outside``, how many do.
    """
    sums = home_sums(scores).to_frame().T
    shown = suppress_small_counts(sums, counts=CITY_COUNTS, smallest=smallest).iloc[0].to_dict()
    outside = outside_areas(scores, area_list)
    some = bool(outside["homes"] > 0)
    parts = _parts_of_city(area_list, outside, smallest=smallest)
    return {
        **{str(name): value for name, value in shown.items()},
        "any_outside": some,
        "outside": float(parts["homes"].iloc[-1]) if some else np.nan,
    }
