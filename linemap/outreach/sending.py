"""Order of sending, weekly batches, and why each home is on the list, in words."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from linemap.outreach.limits import Limit
from linemap.printing import chance


def in_sending_order(kits: pd.DataFrame, *, weeks: int, rng: np.random.Generator) -> pd.DataFrame:
    """Sort a list for sending: sites first, then by value, audit homes strewn in at random.

    Weeks are cut so that each is expected to bring back the same number of kits; the audit
    arm is strewn over all of them so that its answers come at the same time as the others.

    Parameters
    ----------
    kits : DataFrame
        With ``parcel_id, arm, value, p_return, site_kind``.
    weeks : int
        Number of weekly batches.
    rng : numpy.random.Generator

    Returns
    -------
    DataFrame
        Sorted, plain index, with ``rank`` and ``week`` from 1.
    """
    audit = (kits["arm"] == "audit").to_numpy()
    site = kits["site_kind"].notna().to_numpy() & ~audit
    chosen = (
        kits[~audit]
        .assign(site=site[~audit])
        .sort_values(["site", "value", "parcel_id"], ascending=[False, False, True], kind="stable")
    )
    place = pd.Series(np.arange(len(chosen), dtype=float), index=chosen.index)
    drawn = kits[audit].sort_values("parcel_id", kind="stable")
    strewn = pd.Series(rng.uniform(-1, max(len(chosen), 1), len(drawn)), index=drawn.index)
    order = pd.concat([place, strewn]).sort_values(kind="stable").index
    out = kits.loc[order].reset_index(drop=True)
    out["rank"] = np.arange(1, len(out) + 1)
    before = out["p_return"].cumsum() - out["p_return"]
    each = max(float(out["p_return"].sum()) / weeks, 1e-12)
    out["week"] = np.minimum((before / each).astype(int) + 1, weeks)
    return out


def listed(titles: Sequence[str]) -> str:
    """Return titles as a list in words.

    Examples
    --------
    >>> listed(["one", "two", "three"]), listed(["one"])
    ('one, two and three', 'one')
    """
    return " and ".join([*filter(None, [", ".join(titles[:-1])]), *titles[-1:]])


def reasons_in_words(
    kits: pd.DataFrame, limits: Sequence[Limit], parcel_ids: pd.Index, frame: int
) -> list[str]:
    """Say why each home is on the list.

    Parameters
    ----------
    kits : DataFrame
        The list, with ``parcel_id, arm, inclusion_probability, p_lead, p_return, site_kind``.
    limits : sequence of Limit
        Limits over the homes of ``parcel_ids``.
    parcel_ids : Index
        Homes that the limits are about, in order.
    frame : int
        Homes that the audit arm was drawn from.

    Returns
    -------
    list of str
    """
    rows = parcel_ids.get_indexer(pd.Index(kits["parcel_id"]))
    asked = [limit for limit in limits if limit.has_floor]
    words = []
    lead, back = (kits[name].map(chance) for name in ("p_lead", "p_return"))
    chances_of = [
        f"chance of lead {p}, of a usable return {q}" for p, q in zip(lead, back, strict=True)
    ]
    for row, kit, chances in zip(rows, kits.itertuples(), chances_of, strict=True):
        if kit.arm == "audit":
            words.append(
                f"drawn at random from {frame:,} homes, to check the scores; its chance to be "
                f"drawn was {kit.inclusion_probability:.1%}; {chances}"
            )
        elif kit.arm == "ranked":
            words.append(f"a kit here is expected to tell most; {chances}")
        else:
            titles = [limit.title for limit in asked if limit.asks_for(int(row))]
            words.append(f"to keep {listed(titles) or 'the limits of the list'}; {chances}")
    return words
