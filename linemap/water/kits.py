"""Returned kits: which may be read, and the two lead readings of each."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection

import numpy as np
import pandas as pd

from linemap.tables import complete_table
from linemap.water.grounds import KitRules, judge
from linemap.water.results import bounds

DRAWS = ("first", "flushed")


def check_kits(
    kits: pd.DataFrame,
    samples: pd.DataFrame,
    *,
    doubts: pd.DataFrame | None = None,
    today: dt.date | None = None,
    rules: KitRules | None = None,
    spare: Collection[str] = (),
) -> pd.DataFrame:
    """Judge every kit that came back and read its two bottles for lead.

    A kit came back if the laboratory received it, if a collection date is given or if there is
    any result for it. Nothing in the judgement depends on how high a lead result is.

    Parameters
    ----------
    kits : DataFrame
        Table of the ``kits`` contract. Rows that repeat a ``kit_id`` are read as one kit that
        was returned twice.
    samples : DataFrame
        Table of the ``samples`` contract with ``value_ug_l`` [ug/L], ``limit_ug_l`` [ug/L] and
        ``below_limit``. Rows of kits that are not in ``kits`` are not used.
    doubts : DataFrame, optional
        ``kit_id, draw, analyte`` of results that were set aside because they cannot be read;
        without draw and analyte, kits of which a row came twice.
    today : date, optional
        Dates after it are doubted.
    rules : KitRules, optional
        What the programme asks of a kit; default as published.
    spare : collection of str
        Names of grounds that do not count.

    Returns
    -------
    DataFrame
        Table of the ``pairs`` contract, one row per kit, in the order of ``kits``. A reading
        below its limit is the interval from 0 to that limit [ug/L]. Where a laboratory gave no
        limit, the practical quantitation level stands in and the kit is doubted. A missing
        or unreadable bottle has NaN at both ends.

    References
    ----------
    40 CFR 141.86(b) for the standing time, 40 CFR 141.89 for the quantitation level; the other
    limits are listed with their sources in ``published.toml`` under ``water``.
    """
    rules = rules or KitRules()
    kits = complete_table(kits, "kits")
    first = ~kits["kit_id"].duplicated()
    twice_ids = set(kits.loc[~first, "kit_id"])
    kits = kits.loc[first].reset_index(drop=True)
    if doubts is not None and len(doubts):
        known = doubts["draw"].notna()
        twice_ids |= set(doubts.loc[~known, "kit_id"])
        lost = doubts[known].assign(value_ug_l=np.nan, limit_ug_l=np.nan, below_limit=False)
        samples = pd.concat([samples, lost], ignore_index=True)
    place = pd.Index(kits["kit_id"]).get_indexer(pd.Index(samples["kit_id"]))
    samples, place = samples.loc[place >= 0], place[place >= 0]
    back = (kits["received_on"].notna() | kits["collected_on"].notna()).to_numpy(copy=True)
    back[place] = True
    kits = kits.loc[back].reset_index(drop=True)
    place = (np.cumsum(back) - 1)[place]

    readings, bottle_marks = _read_bottles(len(kits), place, samples, rules)
    marks = {**_form_marks(kits, rules, today), **bottle_marks}
    marks["twice"] = marks["twice"] | kits["kit_id"].isin(twice_ids).to_numpy()
    counted = {name: mask for name, mask in marks.items() if name not in spare}
    verdict, reasons = judge(counted, len(kits), rules)
    pairs = pd.DataFrame(
        {
            "kit_id": kits["kit_id"],
            "parcel_id": kits["parcel_id"],
            "verdict": verdict,
            "reasons": pd.Series(reasons, index=kits.index, dtype=object),
            "collected_on": pd.to_datetime(kits["collected_on"]),
            "stagnation_h": kits["stagnation_h"].astype(float),
            "flush_min": kits["flush_min"].astype(float),
            **readings,
        }
    )
    return complete_table(pairs, "pairs")


def _form_marks(
    kits: pd.DataFrame, rules: KitRules, today: dt.date | None
) -> dict[str, np.ndarray]:
    """Return the grounds that lie in the form and its dates."""
    stood = kits["stagnation_h"].to_numpy(float)
    ran = kits["flush_min"].to_numpy(float)
    steps = ("requested_on", "mailed_on", "collected_on", "received_on", "reported_on")
    dates = [pd.to_datetime(kits[step]) for step in steps]
    disorder = np.zeros(len(kits), dtype=bool)
    latest = pd.Series(pd.NaT, index=kits.index, dtype="datetime64[ns]")
    future = np.zeros(len(kits), dtype=bool)
    for date in dates:
        disorder |= (date < latest).to_numpy()
        latest = latest.where(date.isna() | (latest > date), date)
        if today is not None:
            future |= (date > pd.Timestamp(today)).to_numpy()
    age = (dates[3] - dates[2]).dt.days.to_numpy(float)
    old = age > rules.hold_acidified
    return {
        "stood_short": stood < rules.stagnation_least,
        "stood_long": stood > rules.stagnation_most,
        "stood_unknown": np.isnan(stood),
        "filter": (kits["filter_used"] == "yes").to_numpy(bool),
        "filter_unknown": (kits["filter_used"] == "dont_know").to_numpy(bool),
        "unsigned": (kits["signed"] == "no").to_numpy(bool),
        "dates": disorder,
        "future": future,
        "old": old,
        "held": (age > rules.hold_unacidified) & ~old,
        "flush_short": ran < rules.flush_least,
        "flush_long": ran > rules.flush_most,
        "swapped": (kits["bottles_swapped"] == "yes").to_numpy(bool),
    }


def _read_bottles(
    n: int, place: np.ndarray, samples: pd.DataFrame, rules: KitRules
) -> tuple[dict[str, np.ndarray], dict[str, np.ndarray]]:
    """Return the lead readings [ug/L] of n kits and the grounds that lie in the bottles.

    ``place`` is the kit of each row of ``samples``, counted from 0.
    """
    readings: dict[str, np.ndarray] = {}
    marks = {
        name: np.zeros(n, dtype=bool)
        for name in ("unreadable", "analyte_missing", "limit_missing", "twice", "conflict")
    }
    copper: dict[str, np.ndarray] = {}
    there: dict[str, np.ndarray] = {}
    for draw in DRAWS:
        of_draw = (samples["draw"] == draw).to_numpy(bool)
        there[draw] = np.zeros(n, dtype=bool)
        there[draw][place[of_draw]] = True
        measured: dict[str, np.ndarray] = {}
        for analyte in ("lead", "copper"):
            mask = of_draw & (samples["analyte"] == analyte).to_numpy(bool)
            low, high, found = intervals(n, place[mask], samples.loc[mask], analyte)
            measured[analyte] = found["any"]
            if analyte in rules.analytes:
                marks["unreadable"] |= found["unreadable"]
                marks["analyte_missing"] |= there[draw] & ~found["any"]
            if analyte == "lead":
                readings[f"{draw}_low"], readings[f"{draw}_high"] = low, high
                for name in ("limit_missing", "twice", "conflict"):
                    marks[name] |= found[name]
            else:
                copper[f"{draw}_low"], copper[f"{draw}_high"] = low, high
    none = ~there["first"] & ~there["flushed"]
    marks["first_missing"] = ~there["first"] & ~none
    marks["flushed_missing"] = ~there["flushed"] & ~none
    marks["no_bottles"] = none
    marks["no_lead"] = np.isnan(readings["first_high"]) & np.isnan(readings["flushed_high"]) & ~none
    marks["swap_suspected"] = copper["flushed_low"] >= (
        rules.copper_swap_ratio * copper["first_high"]
    )
    return readings, marks


def intervals(
    n: int, place: np.ndarray, rows: pd.DataFrame, analyte: str
) -> tuple[np.ndarray, np.ndarray, dict[str, np.ndarray]]:
    """Return one reading [ug/L] per kit as an interval, and what was odd about it.

    ``place`` is the kit of each row, counted from 0. Rows that agree count once; where they
    contradict each other there is no reading.
    """
    low, high, no_limit = bounds(rows, analyte)
    table = pd.DataFrame(
        {
            "kit": place,
            "low": low,
            "high": high,
            "no_limit": no_limit,
            "unreadable": np.isnan(high),
        }
    )
    by_kit = table.groupby("kit", sort=True)
    size = by_kit.size()
    at = size.index.to_numpy()
    agreed = (by_kit["low"].min() == by_kit["low"].max()) & (
        by_kit["high"].min() == by_kit["high"].max()
    )
    conflict = (size > 1) & ~agreed
    ends = []
    for end in ("low", "high"):
        filled = np.full(n, np.nan)
        filled[at] = by_kit[end].first().mask(conflict).to_numpy()
        ends.append(filled)
    found = {
        name: np.zeros(n, dtype=bool)
        for name in ("any", "unreadable", "limit_missing", "twice", "conflict")
    }
    found["any"][at] = True
    found["unreadable"][at] = by_kit["unreadable"].any().to_numpy()
    found["limit_missing"][at] = by_kit["no_limit"].any().to_numpy()
    found["twice"][at] = (size > 1).to_numpy()
    found["conflict"][at] = conflict.to_numpy()
    return ends[0], ends[1], found
