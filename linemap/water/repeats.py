"""Several kits of one home: one home, not several."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from scipy import stats

from linemap.errors import ArgumentError, EvidenceError


def repeat_tests(
    pairs: pd.DataFrame, *, bottle: Literal["first", "flushed"] = "flushed", least: int = 2
) -> pd.DataFrame:
    """Summarise homes with several usable kits.

    Parameters
    ----------
    pairs : DataFrame
        Table of the ``pairs`` contract. Kits that are not usable, or lack the bottle, are left
        out.
    bottle : {"first", "flushed"}
        Which bottle.
    least : int
        Fewest kits of a home to be listed.

    Returns
    -------
    DataFrame
        Indexed by ``parcel_id``: ``tests``, ``non_detects``; ``highest_low``, ``highest_high``
        (ends of the highest result [ug/L]); ``geometric_mean_low``, ``geometric_mean_high``
        [ug/L], equal where every result was measured; ``gsd``, the geometric standard
        deviation within the home, NaN where a result lies below its limit.

    Examples
    --------
    >>> pairs = pd.DataFrame({"parcel_id": ["P", "P"], "verdict": ["usable", "usable"],
    ...     "flushed_low": [2.0, 8.0], "flushed_high": [2.0, 8.0]})
    >>> repeat_tests(pairs).loc["P", "geometric_mean_high"].round(6).item()
    4.0
    """
    rows = _readings(pairs, bottle)
    homes = rows.groupby("parcel_id", sort=True)
    count = homes.size()
    out = pd.DataFrame(
        {
            "tests": count,
            "non_detects": homes["below"].sum().astype(int),
            "highest_low": homes["low"].max(),
            "highest_high": homes["high"].max(),
            "geometric_mean_low": np.exp(homes["log_low"].mean()),
            "geometric_mean_high": np.exp(homes["log_high"].mean()),
        }
    )
    gsd = np.exp(homes["log_high"].std(ddof=1).to_numpy(float))
    out["gsd"] = np.where(out["non_detects"] == 0, gsd, np.nan)
    return out.loc[out["tests"] >= least]


@dataclass(frozen=True)
class WithinHomeSpread:
    """Pooled spread of results within homes.

    Attributes
    ----------
    gsd, low, high : float
        Geometric standard deviation within a home, and its interval.
    homes, tests : int
        Homes and results it rests on.
    homes_left_out : int
        Homes with repeats of which a result lies below its limit.
    confidence : float
        Coverage of the interval.
    """

    gsd: float
    low: float
    high: float
    homes: int
    tests: int
    homes_left_out: int
    confidence: float


def within_home_spread(
    pairs: pd.DataFrame,
    *,
    bottle: Literal["first", "flushed"] = "flushed",
    confidence: float = 0.95,
) -> WithinHomeSpread:
    """Return the pooled geometric standard deviation within homes.

    Homes with a non-detect among their results are left out and counted; those homes are low
    ones, so that the figure speaks for homes with measurable lead.

    Parameters
    ----------
    pairs : DataFrame
        Table of the ``pairs`` contract.
    bottle : {"first", "flushed"}
        Which bottle.
    confidence : float
        Coverage of the interval, which takes logarithms as normal within a home.

    Returns
    -------
    WithinHomeSpread

    Raises
    ------
    EvidenceError
        If no home has two measured results.

    References
    ----------
    One-way analysis of variance on logarithms; published values for comparison stand under
    fact ``water.within_home_gsd`` (from memory).
    """
    rows = _readings(pairs, bottle)
    homes = rows.groupby("parcel_id")
    count, below = homes.size(), homes["below"].sum()
    kept = count.index[(count >= 2) & (below == 0)]
    freedom = float((count[kept] - 1).sum())
    if freedom == 0:
        raise EvidenceError("no home has two measured results, so no spread within homes is known")
    logs = rows.loc[rows["parcel_id"].isin(kept)].groupby("parcel_id")["log_high"]
    squares = float((logs.var(ddof=1) * (logs.size() - 1)).sum())
    tails = stats.chi2.ppf([(1 + confidence) / 2, (1 - confidence) / 2], freedom)
    gsd, low, high = (float(np.exp(np.sqrt(squares / d))) for d in (freedom, *tails))
    return WithinHomeSpread(
        gsd=gsd,
        low=low,
        high=high,
        homes=len(kept),
        tests=int(count[kept].sum()),
        homes_left_out=int(((count >= 2) & (below > 0)).sum()),
        confidence=confidence,
    )


def one_per_home(
    pairs: pd.DataFrame, *, keep: Literal["earliest", "latest", "highest"] = "earliest"
) -> pd.DataFrame:
    """Return one usable kit of each home, so that repeats never count as further homes.

    Parameters
    ----------
    pairs : DataFrame
        Table of the ``pairs`` contract.
    keep : {"earliest", "latest", "highest"}
        Which kit speaks for the home. Homes with high results test again more often, so
        the earliest is the least biased; ``highest`` goes by the higher of the two bottles.

    Returns
    -------
    DataFrame
        Rows of ``pairs`` in their order, index kept. Kits without a date come last; ties are
        settled by ``kit_id``.

    References
    ----------
    Goovaerts 2017 (homes with high results re-tested more).
    """
    usable = pairs.loc[(pairs["verdict"] != "not_usable").to_numpy(bool)]
    keys = pd.DataFrame({"kit_id": usable["kit_id"], "home": usable["parcel_id"]})
    days = pd.to_datetime(usable["collected_on"])
    if keep == "highest":
        keys["order"] = -usable[["first_high", "flushed_high"]].max(axis=1).fillna(-1.0)
    elif keep in ("earliest", "latest"):
        since = (days - pd.Timestamp(0)) / pd.Timedelta(days=1)
        keys["order"] = since if keep == "earliest" else -since
    else:
        raise ArgumentError(f"keep must be earliest, latest or highest, not {keep!r}")
    chosen = keys.sort_values(["order", "kit_id"], na_position="last", kind="stable")
    chosen = chosen.loc[~chosen["home"].duplicated()]
    return usable.loc[usable.index.isin(chosen.index)]


def _readings(pairs: pd.DataFrame, bottle: str) -> pd.DataFrame:
    """Return usable readings of one bottle with their logarithms."""
    if bottle not in ("first", "flushed"):
        raise ArgumentError(f"bottle must be first or flushed, not {bottle!r}")
    usable = (pairs["verdict"] != "not_usable") & pairs[f"{bottle}_high"].notna()
    rows = pairs.loc[usable.to_numpy(bool)]
    low, high = rows[f"{bottle}_low"].astype(float), rows[f"{bottle}_high"].astype(float)
    with np.errstate(divide="ignore"):
        logs = {"log_low": np.log(low), "log_high": np.log(high)}
    table = pd.DataFrame(
        {"parcel_id": rows["parcel_id"], "low": low, "high": high, "below": low < high, **logs}
    )
    # Sorted, so that sums are the same to the last digit in any order of the kits.
    return table.sort_values(["parcel_id", "low", "high"], kind="stable")
