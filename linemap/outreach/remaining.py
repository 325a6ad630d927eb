"""How many lead lines remain, estimated from the logs of all rounds and nothing else."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from linemap.outreach.eligibility import require_columns
from linemap.outreach.estimates import WANTED, Share, joined, stratum


def lead_remaining(log: pd.DataFrame, *, quiet_days: int = 365) -> dict[str, Any]:
    """Estimate the lead lines that remain among the homes that may be sent kits.

    Each closed round gives an estimate of its own: the lead lines among the homes that could be
    sent a kit on its day (see :func:`estimate_from_log`), and those at homes of earlier rounds
    that gave no answer and were within their quiet days, less all that was found since. The
    rounds are averaged with the answers of their random arms as weights, which do not depend
    on what was found; the limits are joined by recovering variances.

    Parameters
    ----------
    log : DataFrame
        From :meth:`Ledger.log`.
    quiet_days : int
        Days after a kit during which a home is not sent another [days].

    Returns
    -------
    dict
        ``rounds`` (whose random arm has an answer), ``answers`` (of these arms), ``estimate,
        low, high`` [lead lines], 95%; NaN where no random arm has an answer yet.
    """
    require_columns(log, (*WANTED, "sent_on"), "the log")
    closed = log[log["outcome"].notna()]
    listed = closed[closed["arm"].notna()]
    rounds = listed["round_id"].unique()
    found = closed["lead_found"].eq("yes").groupby(closed["round_id"]).sum().reindex(rounds)
    days = listed.groupby("round_id", sort=False)["sent_on"].first()
    strata = {name: _strata(kits) for name, kits in listed.groupby("round_id", sort=False)}
    estimates, weights = [], []
    for place, (name, parts) in enumerate(strata.items()):
        earlier = [
            strata[other]
            for other in days.index[:place]
            if (days[name] - days[other]).days < quiet_days
        ]
        pieces = [(part, part.size) for part in parts.values()]
        pieces += [(part, part.homes) for old in earlier for part in old.values()]
        known = sum(part.hits for old in earlier for part in old.values())
        lines = np.array(joined(pieces)) - known - found.iloc[place:].sum()
        if parts["audit"].answers and np.isfinite(lines).all():
            estimates.append(lines)
            weights.append(parts["audit"].answers)
    if not weights:
        return {"rounds": 0, "answers": 0, "estimate": np.nan, "low": np.nan, "high": np.nan}
    share = np.array(weights) / sum(weights)
    middle, low, high = np.array(estimates).T
    mean = float(share @ middle)
    below = np.sqrt(((share * (middle - low)) ** 2).sum())
    above = np.sqrt(((share * (high - middle)) ** 2).sum())
    return {
        "rounds": len(weights),
        "answers": int(sum(weights)),
        "estimate": max(mean, 0.0),
        "low": max(mean - float(below), 0.0),
        "high": max(mean + float(above), 0.0),
    }


def remaining_in_words(remaining: dict[str, Any]) -> str:
    """Say how many lead lines remain, or that nothing can be said yet."""
    if not remaining["answers"]:
        return (
            "No home of a random audit arm has answered yet, so the lead lines that remain cannot "
            "be estimated from the log."
        )
    rounds = f"{remaining['rounds']} rounds" if remaining["rounds"] > 1 else "one round"
    return (
        f"About {remaining['estimate']:,.0f} lead lines (95% interval {remaining['low']:,.0f} to "
        f"{remaining['high']:,.0f}) remain to be found among homes that may be sent kits, "
        f"what was found since the lists were made taken off. Estimated from the log of {rounds} "
        f"alone; {remaining['answers']:,} answers of the random "
        "audit arm speak for the homes off the lists."
    )


def _strata(kits: pd.DataFrame) -> dict[str, Share]:
    audit = kits["arm"].eq("audit").to_numpy()
    return {"chosen": stratum(kits[~audit]), "audit": stratum(kits[audit])}
