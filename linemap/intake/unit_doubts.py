"""Results that are probably in another unit than the one stated.

A laboratory that reports in mg/L and is filed as ug/L makes every home look a thousand times
safer than it is. Nothing is ever converted on suspicion: such results are set aside and the
question is put.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from linemap.errors import Problem
from linemap.intake.checker import row_problems
from linemap.published import fact
from linemap.tables import contract

TOO_LOW = "the result is about a thousand times too low for its unit; it may be in mg/L."
"""Reason of results that may be a thousand times as high."""

FACTOR = 1000.0
"""Between mg/L and ug/L."""


def doubt_units(
    samples: pd.DataFrame, kits: pd.DataFrame, file: str, *, confirmed: bool = False
) -> tuple[pd.DataFrame, list[Problem]]:
    """Set aside results whose unit is probably wrong.

    Two things are looked at. A detection limit, or a result, that no laboratory can reach in
    the stated unit, or a limit so high that no laboratory would work with it. And batches,
    that is results of one analyte and draw with the same unit and the same month: one whose
    median is about a thousand times that of the others, or a thousandth of it.

    Parameters
    ----------
    samples : DataFrame
        With ``value_ug_l``, ``limit_ug_l``, ``below_limit``, indexed by row number.
    kits : DataFrame
        For the month in which the box was received or filled.
    file : str
        File to name in the problems.
    confirmed : bool, default False
        Somebody asked the laboratory: note the doubt and use the results.

    Returns
    -------
    DataFrame
        Results that may be used.
    list of Problem
    """
    size = samples["value_ug_l"].fillna(samples["limit_ug_l"]).to_numpy(float)
    limit = samples["limit_ug_l"].to_numpy(float)
    lowest, widest = _bounds(samples, "lowest_seen"), _bounds(samples, "highest_limit")
    too_low = ((size < lowest) & (size > 0)) | (limit < lowest)
    too_high = limit > widest
    below, above = _odd_batches(samples, kits, size, too_low, size > widest)
    doubts = [
        (too_low | below, TOO_LOW),
        (
            too_high | above,
            "the result is about a thousand times too high for its unit; it may be in ug/L.",
        ),
    ]
    problems: list[Problem] = []
    doubtful = np.zeros(len(samples), dtype=bool)
    for mask, reason in doubts:
        rows = samples[mask & ~doubtful]
        doubtful |= mask
        problems += row_problems(
            file,
            "samples",
            "unit",
            rows.index,
            rows["result"] + " " + rows["unit"].astype(str),
            reason,
            "Ask the laboratory; correct the unit, or set units_confirmed = true under [city].",
            "note" if confirmed else "row",
        )
    return (samples if confirmed else samples[~doubtful]), problems


def _bounds(samples: pd.DataFrame, name: str) -> np.ndarray:
    """Return a published bound for the analyte of each result [ug/L]."""
    known = {
        a: float(fact(f"intake.{name}.{a}").value) for a in contract("samples")["analyte"].allowed
    }
    return samples["analyte"].astype(str).map(known).to_numpy(float)


def _months(samples: pd.DataFrame, kits: pd.DataFrame) -> np.ndarray:
    """Return the month of each result as a number; -1 where no date is known."""
    days = kits["received_on"].fillna(kits["collected_on"])
    by_kit = pd.Series((days.dt.year * 12 + days.dt.month).to_numpy(float), index=kits["kit_id"])
    return samples["kit_id"].map(by_kit[~by_kit.index.duplicated()]).fillna(-1).to_numpy(int)


def _odd_batches(
    samples: pd.DataFrame,
    kits: pd.DataFrame,
    size: np.ndarray,
    too_low: np.ndarray,
    too_large: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """Return which results are in batches a thousandth, or a thousand times, the others.

    A batch of which most results are out of reach by themselves is odd as a whole, too.
    """
    least = int(fact("intake.smallest_batch").value)
    far = float(np.sqrt(FACTOR * 100))
    kind = samples.groupby(["analyte", "draw"], observed=True).ngroup().to_numpy()
    unit = pd.factorize(samples["unit"].astype(str))[0]
    month = _months(samples, kits)
    below = np.zeros(len(samples), dtype=bool)
    above = np.zeros(len(samples), dtype=bool)
    for batch in (unit, month, unit * 100_000 + month):
        for one in np.unique(kind):
            of_kind = kind == one
            for name in np.unique(batch[of_kind]):
                inside = of_kind & (batch == name)
                rest = of_kind & ~inside
                count, others = int(inside.sum()), int(rest.sum())
                if count < least:
                    continue
                below[inside] |= too_low[inside].mean() > 0.5
                above[inside] |= too_large[inside].mean() > 0.5
                if others >= max(least, count):
                    here, there = np.median(size[inside]), np.median(size[rest])
                    below[inside] |= here * far <= there
                    above[inside] |= (there > 0) & (here >= there * far)
    return below, above
