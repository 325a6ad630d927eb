"""Homes where somebody should look at the pipe before another kit or a replacement is spent."""

from __future__ import annotations

import pandas as pd

from linemap.outreach.eligibility import UNKNOWN, likely_by_kit, require_columns
from linemap.settings import OutreachSettings

NON_LEAD_ABOVE, LEAD_BELOW = 0.5, 0.2
"""Chances of lead that put a record of no lead, and of lead, in doubt; our choice."""

NEEDED = ("area_id", "inventory_class", "basis", "p_lead", "p_low", "p_high", "tested")


def why_to_look(limits: OutreachSettings) -> dict[str, str]:
    """Return why a home is looked at first, by kind, in the order of the list."""
    above = "" if limits.look_above is None else f" ({limits.look_above:.0%} or more)"
    return {
        "likely by its kit": f"a usable kit has come back and lead is very likely{above}: a look "
        "decides more than another kit would, and a filter is due now",
        "recorded without lead": "the record names no lead, and with all other evidence the "
        f"chance of lead is {NON_LEAD_ABOVE:.0%} or more; the class stays until somebody looks",
        "recorded lead": "the record names lead, and with all other evidence the chance of lead "
        f"is under {LEAD_BELOW:.0%}; the line stays lead, with all that is due there, until "
        "somebody looks",
    }


def homes_to_look_at(homes: pd.DataFrame, limits: OutreachSettings) -> pd.DataFrame:
    """Return homes where evidence and class are at odds, or a kit has said all that it can.

    No class is changed by it: that takes a look or a sound record.

    Parameters
    ----------
    homes : DataFrame
        Indexed by parcel_id, with ``area_id, inventory_class, basis, p_lead, p_low, p_high,
        tested`` and, where known, ``address, name, reason_1, reason_2``.
    limits : OutreachSettings
        ``look_above`` is the chance of lead from which a home with a usable kit is looked at.

    Returns
    -------
    DataFrame
        By the ``look_list`` contract; each kind with the clearest first.
    """
    require_columns(homes, NEEDED, "the table of homes")
    homes = homes.rename_axis(None)
    p, kind = homes["p_lead"], homes["inventory_class"].astype(object)
    recorded = homes["basis"].eq("city record")
    found = {
        "likely by its kit": likely_by_kit(homes, limits) & kind.eq(UNKNOWN),
        "recorded without lead": recorded & ~kind.isin(["lead", UNKNOWN]) & p.ge(NON_LEAD_ABOVE),
        "recorded lead": recorded & kind.eq("lead") & p.lt(LEAD_BELOW),
    }
    parts, why = [], why_to_look(limits)
    for look, here in found.items():
        part = homes[here].assign(look=look, why=why[look], parcel_id=homes.index[here])
        least_first = look == "recorded lead"
        parts.append(
            part.sort_values(["p_lead", "parcel_id"], ascending=[least_first, True], kind="stable")
        )
    out = pd.concat(parts)
    out["rank"] = range(1, len(out) + 1)
    first = ["parcel_id", "area_id", "rank", "look", "p_lead", "p_low", "p_high"]
    then = ["inventory_class", "basis", "why"]
    more = [name for name in ("address", "name", "reason_1", "reason_2") if name in out]
    return out[[*first, *then, *more]].reset_index(drop=True)
