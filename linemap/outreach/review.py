"""What all rounds together tell: estimates from the log and alarms, in one report."""

from __future__ import annotations

from typing import Any

import pandas as pd

from linemap.outreach.alarm import FALSE_ALARM, control_charts
from linemap.outreach.estimates import estimate_from_log, estimates_in_words
from linemap.outreach.remaining import lead_remaining, remaining_in_words


def review_rounds(log: pd.DataFrame, *, seed: int, quiet_days: int = 365) -> dict[str, Any]:
    """Look back over all closed rounds.

    Parameters
    ----------
    log : DataFrame
        From :meth:`Ledger.log`.
    seed : int
        Seed of the simulated limits of the charts.
    quiet_days : int
        Days after a kit during which a home is not sent another [days].

    Returns
    -------
    dict
        ``closed`` [rounds], ``estimates`` and ``alarms`` (records), ``remaining`` (see
        :func:`lead_remaining`), ``unlisted`` [kits] from homes that were not on any list,
        ``sentences``, alarms first; the chance that any chart errs is at most the sum of their
        chances (Boole's inequality).
    """
    estimates = estimate_from_log(log)
    charts = control_charts(log, seed=seed)
    remaining = lead_remaining(log, quiet_days=quiet_days)
    raised = charts.alarms["alarm"].to_numpy(dtype=bool)
    words = charts.alarms["sentence"]
    return {
        "closed": int(log.loc[log["outcome"].notna(), "round_id"].nunique()),
        "estimates": estimates.to_dict("records"),
        "alarms": charts.alarms.to_dict("records"),
        "remaining": remaining,
        "unlisted": int((~log["listed"]).sum()),
        "sentences": [
            *words[raised],
            remaining_in_words(remaining),
            *estimates_in_words(estimates),
            *words[~raised],
            f"Of the {len(words)} charts each errs on its own: that any of them raises a false "
            f"alarm has a chance of at most {len(words) * FALSE_ALARM:.0%}.",
        ],
    }
