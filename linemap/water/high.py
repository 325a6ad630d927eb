"""Kits that hold more lead than the strictest action level, whatever else is wrong with them."""

from __future__ import annotations

import numpy as np
import pandas as pd

from linemap.water.levels import action_level

UNTOLD = "tell the resident without delay: a certified filter or bottled water until it is mended"
TOLD_TOO_SOON = "; the day noted as sent lies before the day of the water and does not count"
TOLD = "told; see that a certified filter is in use and that the cause is looked for"
SET_ASIDE = "; the kit says nothing of the pipe, but its water was drawn in this home"
RESULTS = ["first_low", "first_high", "flushed_low", "flushed_high"]


def high_results(pairs: pd.DataFrame, kits: pd.DataFrame, parcels: pd.DataFrame) -> pd.DataFrame:
    """Return the kits with a bottle above the strictest action level, untold ones first.

    Kits that were set aside are among them: no flaw of a kit makes its water safe.

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

    Returns
    -------
    DataFrame
        By the ``high_list`` contract; within untold and told the latest first.

    References
    ----------
    Above 10 ug/L: action level of 89 FR 86418, 40 CFR 141.80(c). The rule holds it against the
    90th percentile of a system; here it only marks single results.
    """
    level = action_level("LCRI")
    most = pairs[["first_low", "flushed_low"]].max(axis=1)
    found = pairs.assign(lead_ug_l=most, level_ug_l=level)[most > level]
    noted = pd.to_datetime(kits["reported_on"]).groupby(kits["kit_id"]).max()
    sent_on = pd.Series(noted.reindex(found["kit_id"]).to_numpy(), index=found.index)
    too_soon = sent_on < pd.to_datetime(found["collected_on"])
    sent_on = sent_on.mask(too_soon)
    told = sent_on.notna()
    aside = found["verdict"].astype(object).eq("not_usable")
    why = pd.Series(np.where(told, TOLD, UNTOLD), index=found.index, dtype=object)
    why = why + np.where(too_soon, TOLD_TOO_SOON, "") + np.where(aside, SET_ASIDE, "")
    found = found.assign(reported_on=sent_on, told=told, why=why).sort_values(
        ["told", "collected_on", "lead_ug_l", "kit_id"],
        ascending=[True, False, False, True],
        kind="stable",
    )
    known = [name for name in ("area_id", "address") if name in parcels.columns]
    found = found.join(parcels[known], on="parcel_id")
    columns = ["kit_id", "parcel_id", "area_id", "collected_on", "reported_on"]
    columns += ["lead_ug_l", "level_ug_l", *RESULTS, "verdict", "why"]
    return found.reset_index(drop=True)[[*columns, *known[1:]]]
