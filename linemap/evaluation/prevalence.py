"""How many lead lines are left: from random checks, beside what other checks would say."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from linemap.evaluation.frame import drawn_at_random
from linemap.evaluation.intervals import (
    block_weights,
    finite_population_interval,
    percentiles,
    share_interval,
)

Array = NDArray[np.float64]
Total = Callable[[NDArray[np.bool_]], tuple[float, float, float]]

COLUMNS = (
    "homes",
    "way",
    "population",
    "checked",
    "found",
    "share",
    "low",
    "high",
    "lead_lines_left",
    "left_low",
    "left_high",
    "text",
)

TEXT = {
    "random checks": "only homes drawn at random, also those of which one side was seen, where "
    "lead on the other would not show, so it is the least there is; interval of a sample of this "
    "size; the one way here that needs no model",
    "checks reweighted": "checks for any reason but suspicion, each weighted by the inverse of "
    "its chance of being checked; repairs what building and place explain, nothing else",
    "checks as they are": "share of lead among checks for any reason but suspicion; not an "
    "estimate for the city, shown for comparison",
    "sum of probabilities": "what the scores add up to over the homes not checked, with the "
    "interval of the scores themselves; as right as they are",
}


def remaining_lead(found: int, looked: int, pool: int) -> dict[str, float]:
    """Estimate lead lines in a pool of which a random sample was checked.

    Parameters
    ----------
    found, looked, pool : int
        Lead lines found, homes checked at random, homes in the pool (checked ones included).

    Returns
    -------
    dict
        ``share``, ``low``, ``high`` [share of the pool]; ``lead_lines_left``, ``left_low``,
        ``left_high`` [homes not yet checked that have lead]; ``wilson_low``, ``wilson_high``
        [share], the interval if the pool were endless.

    Examples
    --------
    >>> remaining_lead(0, 322, 2000)["left_high"]
    20.0
    """
    if looked == 0:
        nan = float("nan")
        return {"share": nan, "low": 0.0, "high": 1.0, "lead_lines_left": nan, "left_low": 0.0,
                "left_high": float(pool), "wilson_low": 0.0, "wilson_high": 1.0}  # fmt: skip
    low, high = finite_population_interval(found, looked, pool)
    wilson = share_interval(found, looked)
    share = found / looked
    return {
        "share": share,
        "low": low / pool,
        "high": high / pool,
        "lead_lines_left": share * (pool - looked),
        "left_low": float(low - found),
        "left_high": float(high - found),
        "wilson_low": wilson[0],
        "wilson_high": wilson[1],
    }


def prevalence_table(
    frame: pd.DataFrame,
    weights: pd.Series,
    total: Total,
    *,
    bootstrap: int,
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Estimate the share of homes with lead and the lead lines left, four ways.

    The population is every home that was not checked for another reason than the random
    draw: what a random draw among open homes speaks for. Lead lines left are those of its homes
    that were not checked. Random checks of one side count too, see
    :func:`~linemap.evaluation.frame.drawn_at_random`.

    Parameters
    ----------
    frame : DataFrame
        Evaluation frame with ``judged`` (bool) and ``block`` (int).
    weights : Series
        Inverse propensities of the judged homes.
    total : callable
        Takes a mask of homes; returns the lead lines that the scores expect among them and the
        ends of the interval [homes].
    bootstrap : int
        Resamples of blocks.
    rng : numpy.random.Generator

    Returns
    -------
    DataFrame
        Two rows groups, ``homes`` = "all" and "no record", by ``way``; columns as in
        :data:`COLUMNS`. Intervals have 95%.
    """
    judged = frame["judged"].to_numpy(dtype=bool)
    at_random = drawn_at_random(frame)
    checked = frame["checked"].to_numpy(dtype=bool)
    unknown = frame["record_lead"].isna().to_numpy()
    label = frame["label"].to_numpy(dtype=float, na_value=np.nan)
    rows = []
    for homes, group in (("all", np.ones(len(frame), bool)), ("no record", unknown)):
        population = group & (~checked | at_random)
        pool = int(population.sum())
        if pool == 0:
            continue
        drawn = at_random & group
        left = pool - int(drawn.sum())
        truth = remaining_lead(int(label[drawn].sum()), int(drawn.sum()), pool)
        rows.append({"homes": homes, "way": "random checks", "population": pool,
                     "checked": int(drawn.sum()), "found": int(label[drawn].sum()),
                     **{k: v for k, v in truth.items() if not k.startswith("wilson")}})  # fmt: skip
        used = judged & group
        y, w = label[used], weights.reindex(frame.index[used]).to_numpy(dtype=float)
        block = frame["block"].to_numpy(dtype=np.int64)[used]
        for way, weight in (("checks reweighted", w), ("checks as they are", np.ones(len(y)))):
            share, low, high = _hajek(y, weight, block, bootstrap, rng)
            rows.append({"homes": homes, "way": way, "population": pool, "checked": len(y),
                         "found": int(y.sum()), "share": share, "low": low, "high": high,
                         "lead_lines_left": share * left, "left_low": low * left,
                         "left_high": high * left})  # fmt: skip
        lines, low, high = total(population & ~checked)
        rows.append({"homes": homes, "way": "sum of probabilities", "population": pool,
                     "checked": 0, "found": 0, "share": lines / max(left, 1),
                     "low": low / max(left, 1), "high": high / max(left, 1),
                     "lead_lines_left": lines, "left_low": low, "left_high": high})  # fmt: skip
    out = pd.DataFrame(rows)
    out["text"] = out["way"].map(TEXT)
    return out.reindex(columns=list(COLUMNS))


def _hajek(
    y: Array, weight: Array, block: NDArray[np.int64], draws: int, rng: np.random.Generator
) -> tuple[float, float, float]:
    """Return a weighted share and its block-bootstrap interval."""
    if len(y) == 0:
        return float("nan"), float("nan"), float("nan")
    counts = block_weights(block, draws, rng) * weight
    low, high = percentiles((counts @ y) / counts.sum(axis=1), len(np.unique(block)))
    return float(weight @ y / weight.sum()), low, high
