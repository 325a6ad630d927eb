"""Kits that hold more lead than the strictest action level, whatever else is wrong with them."""

from __future__ import annotations

import numpy as np
import pandas as pd

from linemap.water.levels import action_level

UNTOLD = (
    "tell the resident without delay: a certified filter or bottled water until the cause is mended"
)
TOLD_TOO_SOON = "; the day noted as sent lies before the day of the water and does not count"
TOLD = "told; see that a certified filter is in use and that the cause is looked for"
OF_WHOM = "find out at once whose water this is and tell the resident: the kit is of no known home"
TWO_RESULTS = "; of two results for one bottle this is the higher"
MAY_BE = "; the laboratory's row was set aside and may hold as much: ask the laboratory at once"
SET_ASIDE = "; the kit says nothing of the pipe, but its water was drawn in this home"
RESULTS = ["first_low", "first_high", "flushed_low", "flushed_high"]


def high_results(
    pairs: pd.DataFrame,
    kits: pd.DataFrame,
    parcels: pd.DataFrame,
    samples: pd.DataFrame | None = None,
    lost: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Return the kits with a bottle above the strictest action level, untold ones first.

    Kits that were set aside are among them: no flaw of a kit makes its water safe. So are
    results that contradict each other, and rows of the laboratory that could not be used, with
    the most that they may hold.

    Parameters
    ----------
    pairs : DataFrame
        By the ``pairs`` contract.
    kits : DataFrame
        By the ``kits`` contract; ``reported_on`` is the day the result was sent to the resident.
        Of rows that repeat a ``kit_id`` the latest day holds. A day before the bottles were
        filled cannot be that of their result: it is left out and the resident counts as untold.
    parcels : DataFrame
        Indexed by parcel_id, with ``area_id`` and, where known, ``address``.
    samples : DataFrame, optional
        By the ``samples`` contract with ``value_ug_l`` [ug/L]; of several results for one bottle
        the highest holds.
    lost : DataFrame, optional
        ``kit_id, row, result, may_be_ug_l`` of laboratory rows that were set aside.

    Returns
    -------
    DataFrame
        By the ``high_list`` contract; within untold and told the latest first. A row of the
        laboratory whose kit is of no known home has no ``parcel_id``.

    References
    ----------
    Above 10 ug/L: action level of 89 FR 86418, 40 CFR 141.80(c). The rule holds it against the
    90th percentile of a system; here it only marks single results.
    """
    level = action_level("LCRI")
    every = _with_lost(_with_samples(pairs, samples), lost, kits, level)
    found = every.assign(level_ug_l=level)[every["lead_ug_l"] > level]
    noted = pd.to_datetime(kits["reported_on"]).groupby(kits["kit_id"]).max()
    sent_on = pd.Series(noted.reindex(found["kit_id"]).to_numpy(), index=found.index)
    too_soon = sent_on < pd.to_datetime(found["collected_on"])
    sent_on = sent_on.mask(too_soon)
    told = sent_on.notna()
    aside = found["verdict"].astype(object).eq("not_usable")
    homeless = found["parcel_id"].isna()
    why = pd.Series(np.where(told, TOLD, UNTOLD), index=found.index, dtype=object)
    why = why.mask(homeless, OF_WHOM) + np.where(too_soon, TOLD_TOO_SOON, "")
    why = why + np.where(found["contested"], TWO_RESULTS, "")
    why = why + np.where(found["set_aside_result"].notna(), MAY_BE, "")
    why = why + np.where(aside & ~homeless, SET_ASIDE, "")
    found = found.assign(reported_on=sent_on, told=told, why=why).sort_values(
        ["told", "collected_on", "lead_ug_l", "kit_id"],
        ascending=[True, False, False, True],
        kind="stable",
    )
    known = [name for name in ("area_id", "address") if name in parcels.columns]
    found = found.join(parcels[known], on="parcel_id")
    columns = ["kit_id", "parcel_id", "area_id", "collected_on", "reported_on"]
    columns += ["lead_ug_l", "level_ug_l", *RESULTS, "set_aside_result", "verdict", "why"]
    return found.reset_index(drop=True)[[*columns, *known[1:]]]


def _with_samples(pairs: pd.DataFrame, samples: pd.DataFrame | None) -> pd.DataFrame:
    """Return the kits with their highest lead [ug/L], also where results contradict each other."""
    most = pairs[["first_low", "flushed_low"]].max(axis=1)
    highest: pd.Series = most
    if samples is not None:
        lead = samples[(samples["analyte"] == "lead").to_numpy(bool)]
        by_kit = lead["value_ug_l"].astype(float).groupby(lead["kit_id"]).max()
        of_kit = pairs["kit_id"].map(by_kit).astype(float)
        highest = pd.concat([most, of_kit], axis=1).max(axis=1)
    return pairs.assign(lead_ug_l=highest, contested=highest > most.fillna(0.0))


def _with_lost(
    pairs: pd.DataFrame, lost: pd.DataFrame | None, kits: pd.DataFrame, level: float
) -> pd.DataFrame:
    """Return the kits with what rows that were set aside may hold, further kits behind them."""
    pairs = pairs.assign(
        set_aside_result=pd.Series(np.nan, index=pairs.index, dtype=object)
    ).reset_index(drop=True)
    if lost is None or not (lost["may_be_ug_l"] > level).any():
        return pairs
    high = lost[(lost["may_be_ug_l"] > level).to_numpy(bool)]
    high = high.sort_values(["may_be_ug_l", "row"], ascending=[False, True], kind="stable")
    high = high[~high["kit_id"].duplicated() | high["kit_id"].isna()]
    by_kit = high[high["kit_id"].notna()].set_index("kit_id")
    may_be = pairs["kit_id"].map(by_kit["may_be_ug_l"]).astype(float)
    above = may_be > pairs["lead_ug_l"].fillna(0.0)
    pairs["lead_ug_l"] = pairs["lead_ug_l"].mask(above, may_be)
    pairs["contested"] = pairs["contested"] & ~above
    pairs["set_aside_result"] = pairs["kit_id"].map(by_kit["result"]).where(above)
    more = high[~high["kit_id"].isin(pairs["kit_id"]).to_numpy(bool)]
    more = more.rename(columns={"may_be_ug_l": "lead_ug_l", "result": "set_aside_result"})
    pairs = pairs.assign(verdict=pairs["verdict"].astype(object))
    if more.empty:
        return pairs
    sent = kits.drop_duplicates("kit_id").set_index("kit_id").reindex(more["kit_id"])
    more = more.assign(
        verdict="not_usable",
        contested=False,
        parcel_id=sent["parcel_id"].to_numpy(),
        collected_on=pd.to_datetime(sent["collected_on"]).to_numpy(),
    )
    return pd.concat([pairs, more.reindex(columns=pairs.columns)], ignore_index=True)
