"""What all rounds together tell: estimates from the log and alarms, in one report."""

from __future__ import annotations

from typing import Any

import pandas as pd

from linemap.outreach.alarm import control_charts
from linemap.outreach.estimates import estimate_from_log, estimates_in_words


def review_rounds(log: pd.DataFrame, *, seed: int) -> dict[str, Any]:
    """Look back over all closed rounds.

    Parameters
    ----------
    log : DataFrame
        From :meth:`Ledger.log`.
    seed : int
        Seed of the simulated limits of the charts.

    Returns
    -------
    dict
        ``estimates`` and ``alarms`` (records), ``unlisted`` [kits] from homes that were not on
        any list, ``sentences``.
    """
    estimates = estimate_from_log(log)
    charts = control_charts(log, seed=seed)
    return {
        "estimates": estimates.to_dict("records"),
        "alarms": charts.alarms.to_dict("records"),
        "unlisted": int((~log["listed"]).sum()),
        "sentences": [*estimates_in_words(estimates), *charts.sentences()],
    }
