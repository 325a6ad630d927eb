"""What each home was sent before, by the city's table of kits and by the ledger of rounds."""

from __future__ import annotations

from typing import Any

import pandas as pd

from linemap.outreach.eligibility import column_or
from linemap.tables import complete_table

WAIT_DAYS = 60
"""Days after which a kit that is not back is taken not to come. Common practice, no source."""


def sent_on(kits: pd.DataFrame) -> pd.Series:
    """Return the day a kit left, or failing that the day it was asked for."""
    return pd.to_datetime(kits["mailed_on"].fillna(kits["requested_on"]))


def last_day(kits: pd.DataFrame) -> Any:
    """Return the last date in the table of kits; NaT if it has none."""
    days = [kits[name].max() for name in ("mailed_on", "collected_on", "received_on")]
    known = [pd.Timestamp(day) for day in days if not pd.isna(day)]
    return max(known) if known else pd.NaT


def with_rounds(
    kits: pd.DataFrame, pairs: pd.DataFrame, log: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Add what the ledger knows and the city's own tables do not.

    A kit of a round is the nearest one that the table of kits has for the same home within 60
    days; only where there is none is a row added. A usable return is added only where the
    laboratory's files do not have that kit. Homes that were on no list and came back all the
    same had a kit too.

    Parameters
    ----------
    kits, pairs : DataFrame
        By the contracts.
    log : DataFrame
        Kits of rounds, by the ``rounds`` contract.

    Returns
    -------
    kits : DataFrame
        As given, with a column ``settled``: True for kits of closed rounds, False for kits that
        only an open round knows of and for those of homes off the list, which are known only
        because something came back and so tell nothing of how many do; missing for the rest.
        Added rows are named by round and home and have the day of opening as ``mailed_on``.
    pairs : DataFrame
        As given, with a row of verdict ``usable`` for each return that was added.
    """
    sent = log.reset_index(drop=True)
    known = kits[["kit_id", "parcel_id"]].assign(known_on=sent_on(kits))
    both = sent[["parcel_id", "sent_on"]].reset_index().merge(known, on="parcel_id")
    both["days"] = (both["known_on"] - both["sent_on"]).abs().dt.days
    near = both[both["days"] <= WAIT_DAYS].sort_values(["index", "days", "kit_id"], kind="stable")
    same = near.drop_duplicates("index").set_index("index")["kit_id"].reindex(sent.index)
    name = same.fillna(sent["round_id"] + " " + sent["parcel_id"])
    over = sent["outcome"].notna() & sent["arm"].notna()

    added = pd.DataFrame(
        {"kit_id": name, "parcel_id": sent["parcel_id"], "mailed_on": sent["sent_on"]}
    )[same.isna()]
    every = pd.concat([kits, complete_table(added, "kits")], ignore_index=True)
    every["settled"] = pd.Series(None, index=every.index, dtype=object)
    every.loc[every["kit_id"].isin(added["kit_id"]), "settled"] = False
    every.loc[every["kit_id"].isin(name[over]), "settled"] = True

    back = pd.DataFrame({"kit_id": name, "parcel_id": sent["parcel_id"], "verdict": "usable"})
    back = back[sent["outcome"].eq("usable") & ~name.isin(pairs["kit_id"])]
    more = complete_table(back.drop_duplicates("kit_id"), "pairs")
    return every, pd.concat([pairs, more], ignore_index=True)


def kit_history(kits: pd.DataFrame, pairs: pd.DataFrame, parcel_ids: pd.Index) -> pd.DataFrame:
    """Return what each home was sent before and what came back.

    Parameters
    ----------
    kits, pairs : DataFrame
        By the contracts.
    parcel_ids : Index
        All homes.

    Returns
    -------
    DataFrame
        Indexed by ``parcel_ids``: ``kits_before`` [kits], ``last_kit_on``, ``asked_on`` (day of
        the last request), ``tested`` (bool, at least one usable kit).
    """
    sent = kits.assign(day=sent_on(kits)).groupby("parcel_id")
    usable = pairs.loc[pairs["verdict"] != "not_usable", "parcel_id"]
    return pd.DataFrame(
        {
            "kits_before": sent.size().reindex(parcel_ids).fillna(0).to_numpy(dtype=float),
            "last_kit_on": sent["day"].max().reindex(parcel_ids).to_numpy(),
            "asked_on": sent["requested_on"].max().reindex(parcel_ids).to_numpy(),
            "tested": parcel_ids.isin(usable),
        },
        index=parcel_ids,
    )


def since_rounds(homes: pd.DataFrame, log: pd.DataFrame) -> pd.DataFrame:
    """Bring the homes up to the ledger: their last kit, and who refused it.

    Parameters
    ----------
    homes : DataFrame
        Indexed by parcel_id with ``last_kit_on, asked_on``, see :func:`kit_history`.
    log : DataFrame
        Kits of rounds, by the ``rounds`` contract.

    Returns
    -------
    DataFrame
        As given, with ``last_kit_on`` no earlier than the last round that the home was listed
        in or came back in without being listed, and ``refused``: whether the home refused its
        last kit of a closed round and has asked for none since.
    """
    kits = log.sort_values("sent_on", kind="stable")
    sent = kits.groupby("parcel_id")["sent_on"].max().reindex(homes.index)
    over = kits[kits["outcome"].notna()].drop_duplicates("parcel_id", keep="last")
    over = over.set_index("parcel_id")[["outcome", "sent_on"]].reindex(homes.index)
    asked = pd.to_datetime(column_or(homes, "asked_on", pd.NaT))
    last = pd.to_datetime(homes["last_kit_on"])
    return homes.assign(
        last_kit_on=pd.concat([last, sent], axis=1).max(axis=1),
        refused=over["outcome"].eq("refused") & ~(asked > over["sent_on"]),
    )
