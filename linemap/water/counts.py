"""Kits through the programme: asked, sent, returned, usable, reported."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from statsmodels.stats.proportion import proportion_confint

from linemap.tables import complete_table

STAGES = ("asked", "sent", "returned", "usable", "reported")
STEPS = {
    "asked to sent": ("requested_on", "mailed_on"),
    "sent to collected": ("mailed_on", "collected_on"),
    "collected to received": ("collected_on", "received_on"),
    "received to reported": ("received_on", "reported_on"),
    "asked to reported": ("requested_on", "reported_on"),
}


@dataclass(frozen=True)
class KitCounts:
    """Counts of kits, how long each step took, and who sends kits back.

    Attributes
    ----------
    stages : Series
        Kits by stage: ``asked`` (a request is on file), ``sent``, ``returned``, ``usable``
        (with or without doubt), ``reported``. A stage for which no date was ever noted is NaN.
    verdicts : Series
        Returned kits by verdict.
    reasons : Series
        Returned kits by ground, most frequent first; a kit counts for each of its grounds.
    turnaround : DataFrame
        By step: ``kits`` with both dates in order, ``median``, ``low``, ``high`` [d], the last
        two holding the middle 80 %.
    by_area : DataFrame
        Indexed by ``area_id``: ``sent``, ``returned``, ``usable``, ``return_rate`` with
        ``rate_low`` and ``rate_high`` (Wilson). Kits of homes in no known area stand in the
        last row, ``no area``.
    return_rate, rate_low, rate_high : float
        Of all kits sent.
    confidence : float
        Coverage of the intervals.
    """

    stages: pd.Series
    verdicts: pd.Series
    reasons: pd.Series
    turnaround: pd.DataFrame
    by_area: pd.DataFrame
    return_rate: float
    rate_low: float
    rate_high: float
    confidence: float


def kit_counts(
    kits: pd.DataFrame,
    pairs: pd.DataFrame,
    parcels_area: pd.Series | None = None,
    *,
    confidence: float = 0.95,
) -> KitCounts:
    """Count kits through the programme.

    Parameters
    ----------
    kits : DataFrame
        Table of the ``kits`` contract.
    pairs : DataFrame
        Result of :func:`linemap.water.check_kits` for the same kits.
    parcels_area : Series, optional
        ``area_id`` indexed by ``parcel_id``.
    confidence : float
        Coverage of the intervals of return rates.

    Returns
    -------
    KitCounts
        A kit that came back, or was mailed, counts as sent. Kits sent lately and still out
        count as not returned.

    References
    ----------
    Wilson 1927 (interval of a rate), through statsmodels.
    """
    kits = complete_table(kits, "kits")
    kits = kits.loc[~kits["kit_id"].duplicated()]
    by_kit = pairs.set_index("kit_id")["verdict"].reindex(kits["kit_id"])
    returned = by_kit.notna().to_numpy()
    usable = by_kit.isin(["usable", "usable_with_doubt"]).to_numpy()
    sent = kits["mailed_on"].notna().to_numpy() | returned
    stages = pd.Series(
        {
            "asked": _noted(kits, "requested_on"),
            "sent": float(sent.sum()),
            "returned": float(returned.sum()),
            "usable": float(usable.sum()),
            "reported": _noted(kits, "reported_on"),
        },
        name="kits",
    )
    flags = pd.DataFrame({"sent": sent, "returned": returned, "usable": usable})
    area = pd.Series("no area", index=flags.index, dtype=object)
    if parcels_area is not None:
        found = kits["parcel_id"].map(parcels_area).reset_index(drop=True).astype(object)
        area = found.where(found.notna(), "no area")
    by_area = flags.groupby(area, sort=True).sum()
    by_area.index.name = "area_id"
    named = by_area.index != "no area"
    by_area = pd.concat([by_area.loc[named], by_area.loc[~named]])
    rates = _rates(by_area["returned"].to_numpy(), by_area["sent"].to_numpy(), confidence)
    by_area["return_rate"], by_area["rate_low"], by_area["rate_high"] = rates
    total = _rates(np.array([returned.sum()]), np.array([sent.sum()]), confidence)
    return KitCounts(
        stages=stages,
        verdicts=pairs["verdict"].value_counts().reindex(pairs["verdict"].cat.categories),
        reasons=_by_reason(pairs["reasons"]),
        turnaround=_turnaround(kits),
        by_area=by_area,
        return_rate=float(total[0][0]),
        rate_low=float(total[1][0]),
        rate_high=float(total[2][0]),
        confidence=confidence,
    )


def _noted(kits: pd.DataFrame, column: str) -> float:
    """Return how many kits have a date; NaN where the column was never filled."""
    if not kits[column].notna().any():
        return float("nan")
    return float(kits[column].notna().sum())


def _by_reason(reasons: pd.Series) -> pd.Series:
    counts: dict[str, int] = {}
    for text, kits in reasons.dropna().value_counts().items():
        for reason in str(text).split("; "):
            counts[reason] = counts.get(reason, 0) + int(kits)
    found = pd.Series(counts, dtype=int).rename_axis("reason").rename("kits").sort_index()
    return found.sort_values(ascending=False, kind="stable")


def _turnaround(kits: pd.DataFrame) -> pd.DataFrame:
    rows = {}
    for name, (start, end) in STEPS.items():
        took = (pd.to_datetime(kits[end]) - pd.to_datetime(kits[start])).dt.days.astype(float)
        days = took[took >= 0]
        low, middle, high = days.quantile([0.1, 0.5, 0.9]) if len(days) else (np.nan,) * 3
        rows[name] = {"kits": len(days), "median": middle, "low": low, "high": high}
    return pd.DataFrame.from_dict(rows, orient="index").rename_axis("step")


def _rates(
    count: np.ndarray, of: np.ndarray, confidence: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return rates with Wilson intervals; NaN where nothing was sent."""
    whole = np.where(of > 0, of, 1)
    low, high = proportion_confint(count, whole, alpha=1 - confidence, method="wilson")
    rate = np.where(of > 0, count / whole, np.nan)
    return rate, np.where(of > 0, low, np.nan), np.where(of > 0, high, np.nan)
