"""Planning areas in order of need for kits, and how firm that order is."""

from __future__ import annotations

import warnings
from typing import Any, Literal

import numpy as np
import pandas as pd
from esda.getisord import G_Local
from libpysal.weights import KNN
from numpy.typing import NDArray
from scipy.stats import false_discovery_control, norm
from statsmodels.stats.proportion import proportion_confint

from linemap.errors import ArgumentError
from linemap.outreach.eligibility import UNKNOWN, column_or, reason_left_out, require_columns
from linemap.outreach.plan import KitPlan
from linemap.outreach.value import kit_value
from linemap.printing import counted
from linemap.tables import complete_table

Floats = NDArray[np.float64]
Aim = Literal["most_lead", "most_need", "least_tested"]
AIMS: tuple[Aim, ...] = ("most_lead", "most_need", "least_tested")

NEIGHBOURS = 6
FALSE_DISCOVERY_RATE = 0.05
_DRAWS = 4000
_Z90 = 1.6449
_FEWEST_AREAS = 8


def rank_areas(
    homes: pd.DataFrame,
    expected_lead: pd.DataFrame,
    plan: KitPlan,
    aim: Aim = "most_lead",
    *,
    seed: int = 0,
) -> pd.DataFrame:
    """Rank the planning areas under an aim.

    ``most_lead`` ranks by expected lead lines, ``most_need`` by expected lead lines times the
    utility's need index, ``least_tested`` by the share of homes without a usable kit and, among
    equals, by expected lead lines. The rank interval comes from drawing each area's lead lines
    within its own interval, as if areas erred independently.

    Parameters
    ----------
    homes : DataFrame
        Every home, indexed by parcel_id: ``area_id, inventory_class`` and, where known, ``name,
        tested, kits_before, need, x, y`` [m].
    expected_lead : DataFrame
        Indexed by area_id: ``expected, low, high`` [homes], 90 % interval.
    plan : KitPlan
        List whose kits are counted by area.
    aim : {"most_lead", "most_need", "least_tested"}
    seed : int
        Seed of the draws behind the rank interval.

    Returns
    -------
    DataFrame
        By the ``area_list`` contract, in order of rank, with ``rank_low, rank_high`` (90 %),
        ``return_rate`` (homes with a usable kit among those ever sent one) with ``_low`` and
        ``_high`` (95 %, Wilson), ``may_be_sent`` (homes that may be sent a kit), ``in_reach``
        (those of them where a kit is worth as much as at the last home that the list chose by
        worth alone; missing if it chose none so), ``need``, ``hot_spot_z``, ``hot_spot_p`` and
        ``hot_spot`` (``hot``, ``cold`` or missing).

    Raises
    ------
    ArgumentError
        If the aim is not one of the three, or needs a figure that is missing.

    References
    ----------
    .. [1] J. K. Ord and A. Getis, "Local spatial autocorrelation statistics", Geographical
       Analysis 27 (1995). From memory.
    .. [2] Y. Benjamini and Y. Hochberg, "Controlling the false discovery rate", Journal of the
       Royal Statistical Society B 57 (1995). From memory.
    """
    if aim not in AIMS:
        raise ArgumentError(f"there is no aim {aim!r}. Choose one of {', '.join(AIMS)}.")
    require_columns(homes, ("area_id", "inventory_class"), "the table of homes")
    areas = _area_figures(homes, expected_lead, plan)
    if aim == "most_need" and areas["need"].isna().all():
        raise ArgumentError("the aim most_need asks for the column need in the areas table.")
    if areas.empty:
        return complete_table(areas.reset_index(), "area_list")
    order = np.argsort(-_worth(areas, aim, areas["expected_lead_lines"].to_numpy()), kind="stable")
    areas["rank"] = np.argsort(order) + 1
    areas["rank_low"], areas["rank_high"] = _rank_interval(areas, aim, seed=seed)
    areas["hot_spot_z"], areas["hot_spot_p"], areas["hot_spot"] = _hot_spots(areas)
    areas["why"] = [_why(area, aim) for area in areas.itertuples()]
    ranked = areas.drop(columns=["x", "y"]).sort_values("rank").rename_axis("area_id")
    return complete_table(ranked.reset_index(), "area_list")


def _area_figures(homes: pd.DataFrame, expected_lead: pd.DataFrame, plan: KitPlan) -> pd.DataFrame:
    """Gather the figures of each area, indexed by area_id in order of the id."""
    placed = homes.dropna(subset=["area_id"])
    by_area = placed.groupby(placed["area_id"].astype(str), sort=True)
    tested = column_or(placed, "tested", False).astype(float)
    sent = column_or(placed, "kits_before", 0.0).gt(0).astype(float)

    def total(values: pd.Series) -> pd.Series:
        return values.groupby(placed["area_id"].astype(str), sort=True).sum()

    out = pd.DataFrame({"homes": by_area.size()})
    out["name"] = column_or(placed, "name", None).groupby(placed["area_id"].astype(str)).first()
    out["name"] = out["name"].fillna(out.index.to_series())
    out["unknown_lines"] = total(placed["inventory_class"].eq(UNKNOWN).astype(float))
    lead = expected_lead.rename(index=str).reindex(out.index)
    out["expected_lead_lines"], out["low"], out["high"] = (
        lead["expected"],
        lead["low"],
        lead["high"],
    )
    out["tested_share"] = total(tested) / out["homes"]
    ever, back = total(sent), total(tested * sent)
    out["return_rate"] = back / ever.where(ever > 0)
    ends = proportion_confint(back, ever.where(ever > 0), method="wilson")
    out["return_rate_low"], out["return_rate_high"] = ends
    counts = plan.kits["area_id"].astype(str).value_counts()
    out["kits_suggested"] = counts.reindex(out.index).fillna(0.0)
    out["may_be_sent"], out["in_reach"] = np.nan, np.nan
    if {"p_lead", "p_return"} <= set(placed.columns):
        eligible = reason_left_out(placed, plan.limits, today=plan.made_on).isna()
        worth = kit_value(homes, plan.limits.value)["value"].reindex(placed.index)
        least = plan.kits.loc[plan.kits["arm"] == "ranked", "value"].min()
        out["may_be_sent"] = total(eligible.astype(float))
        if np.isfinite(least):
            out["in_reach"] = total((eligible & worth.ge(least)).astype(float))
    for name in ("need", "x", "y"):
        values = column_or(placed, name, np.nan).astype(float)
        out[name] = values.groupby(placed["area_id"].astype(str), sort=True).mean()
    return out


def _worth(areas: pd.DataFrame, aim: Aim, lead: Floats) -> Floats:
    """Return what the areas are ranked by, for one or many (rows) draws of lead lines."""
    if aim == "most_need":
        return lead * areas["need"].fillna(areas["need"].mean()).to_numpy()
    if aim == "least_tested":
        share = 1 - areas["tested_share"].to_numpy()
        most = max(float(np.max(lead)), 1e-12)
        return np.round(share, 9) + 1e-10 * lead / most
    return lead


def _rank_interval(areas: pd.DataFrame, aim: Aim, *, seed: int) -> tuple[Floats, Floats]:
    """Return the 5th and 95th percentile of each area's rank over draws of its lead lines."""
    mean = areas["expected_lead_lines"].to_numpy()
    sd = ((areas["high"] - areas["low"]) / (2 * _Z90)).to_numpy()
    draws = np.random.default_rng(seed).normal(size=(_DRAWS, len(areas))) * sd + mean
    worth = _worth(areas, aim, np.maximum(draws, 0.0))
    ranks = np.argsort(np.argsort(-worth, axis=1, kind="stable"), axis=1, kind="stable") + 1
    low, high = np.quantile(ranks, [0.05, 0.95], axis=0, method="nearest")
    return low.astype(float), high.astype(float)


def _hot_spots(areas: pd.DataFrame) -> tuple[Floats, Floats, list[str | None]]:
    """Return Getis-Ord Gi* of the expected share of lead lines, with adjusted p-values.

    Each area is compared with itself and its nearest areas by mean position of homes. No
    figure is given for fewer than eight areas, where the statistic has no footing.
    """
    share = (areas["expected_lead_lines"] / areas["homes"]).to_numpy(dtype=float)
    place = areas[["x", "y"]].to_numpy(dtype=float)
    usable = np.isfinite(share) & np.isfinite(place).all(axis=1)
    z = np.full(len(areas), np.nan)
    p = np.full(len(areas), np.nan)
    if usable.sum() >= _FEWEST_AREAS and np.ptp(share[usable]) > 0:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            near = KNN.from_array(place[usable], k=min(NEIGHBOURS, int(usable.sum()) // 3))
            local = G_Local(share[usable], near, transform="B", star=True, permutations=0)
        z[usable] = local.Zs
        p[usable] = false_discovery_control(2 * norm.sf(np.abs(local.Zs)), method="bh")
    kinds: list[str | None] = [
        None if not pv < FALSE_DISCOVERY_RATE else "hot" if zv > 0 else "cold"
        for zv, pv in zip(z, p, strict=True)
    ]
    return z, p, kinds


def _why(area: Any, aim: Aim) -> str:
    lead = (
        f"{area.expected_lead_lines:,.0f} lead lines expected (90% interval {area.low:,.0f} to "
        f"{area.high:,.0f})"
    )
    first = {
        "most_lead": lead,
        "most_need": f"{lead}, need index {area.need:.2f}",
        "least_tested": f"{area.tested_share:.1%} of homes tested; {lead}",
    }[aim]
    words = f"{first}; {area.unknown_lines:,.0f} of {area.homes:,.0f} lines unknown"
    if aim != "least_tested":
        words += f"; {area.tested_share:.1%} of homes tested"
    if area.rank_low != area.rank_high:
        words += f"; rank between {area.rank_low:.0f} and {area.rank_high:.0f} (90% interval)"
    if np.isfinite(area.in_reach):
        words += (
            f"; {counted(area.in_reach, 'home here is', 'homes here are')} worth a kit at least as "
            "much as the last home chosen for worth"
        )
    return words
