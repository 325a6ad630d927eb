"""What laboratory rows that were set aside may say of lead, so that no high number is lost.

A row that cannot be used for statistics may still hold the highest result of the city. What it
may hold at most is read from it and handed on to the list of high results; its reason in the
quarantine says so too.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from linemap.errors import Problem
from linemap.intake.checker import SAME_KEY
from linemap.intake.results import IN_UG_L, NUMBER, parse_result, parse_unit
from linemap.intake.unit_doubts import TOO_LOW
from linemap.published import fact

COLUMNS = ("kit_id", "row", "result", "may_be_ug_l")
"""Columns of :func:`lost_lead`."""

_THOUSANDS = re.compile(r"(?<=[0-9]),(?=[0-9]{3}(?![0-9]))")
_COMMA = re.compile(r"(?<=[0-9]),(?=[0-9])")
_NUMBERS = re.compile(NUMBER)
_MILLIGRAMS = re.compile(r"(?i)(?<![a-z])(?:mg|ppm|milligram)")
_LIMIT = re.compile(r"\s*(?:<|\u2264)")


def most_it_may_be(
    result: str | None, unit: str | None, limit: float | None = None, *, too_low: bool = False
) -> float:
    """Return the highest concentration that a row which was set aside may stand for.

    Parameters
    ----------
    result, unit : str or None
        As printed.
    limit : float, optional
        Detection limit, in ``unit``.
    too_low : bool
        Whether the stated unit is doubted as a thousand times too low.

    Returns
    -------
    float
        [ug/L]; NaN where no number can be told, or the result lies below a limit. The lower end
        of ``>50`` is 50; of several numbers the largest holds; a comma before three digits
        parts thousands, any other is a point. Where result or unit speaks of milligrams or
        parts per million, it is taken as mg/L, and so is a number below 1 without a known unit;
        any other as ug/L.

    Examples
    --------
    >>> [most_it_may_be(text, "ug/L") for text in (">50", "80*", "12,5", "<20")]
    [50.0, 80.0, 12.5, nan]
    >>> most_it_may_be("0.08", "grains"), most_it_may_be("0.02", "ug/L", too_low=True)
    (80.0, 20.0)
    >>> most_it_may_be("1.2 mg/L", None), most_it_may_be("1.2", "mg/L as Pb")
    (1200.0, 1200.0)
    """
    if result is None or _LIMIT.match(result):
        return float("nan")
    reading = parse_result(result, unit, limit)
    if not reading.reason and not _MILLIGRAMS.search(result):
        return reading.value_ug_l * (1000.0 if too_low else 1.0)
    plain = _COMMA.sub(".", _THOUSANDS.sub("", result))
    numbers = [float(n) for n in _NUMBERS.findall(plain)]
    if not numbers:
        return float("nan")
    most, name = max(numbers), parse_unit(unit) if unit else None
    if _MILLIGRAMS.search(f"{result} {unit or ''}"):
        return most * 1000.0
    if name is None:
        return most * 1000.0 if most < 1 else most
    return most * float(IN_UG_L[name])


def lost_lead(rows: pd.DataFrame, used: pd.Index, too_low: Collection[int] = ()) -> pd.DataFrame:
    """Return what the rows of a laboratory that were set aside may say of lead.

    Parameters
    ----------
    rows : DataFrame
        All rows of the file by the contract, before any was set aside, indexed by row number.
    used : Index
        Row numbers of those that are used.
    too_low : collection of int
        Row numbers of results that are doubted as a thousand times too low.

    Returns
    -------
    DataFrame
        ``kit_id`` (None where the row names none), ``row``, ``result`` with its unit as printed,
        and ``may_be_ug_l`` [ug/L]; a row of copper, or without a number, is left out.
    """
    lost = rows[~rows.index.isin(used)]
    analyte = lost["analyte"].astype(object).astype(str).str.strip().str.casefold()
    lost = lost[~analyte.str.startswith(("cu", "copper")).to_numpy(bool)]
    if lost.empty:
        return empty_lost()
    limits = pd.Series(np.nan, index=lost.index)
    if "detection_limit" in lost:
        limits = pd.to_numeric(lost["detection_limit"], errors="coerce")
    printed = [_text(value) for value in lost["result"]]
    units = [_text(value) for value in lost["unit"]]
    most = [
        most_it_may_be(text, unit, None if np.isnan(limit) else limit, too_low=row in too_low)
        for text, unit, limit, row in zip(printed, units, limits, lost.index, strict=True)
    ]
    found = pd.DataFrame(
        {
            "kit_id": [_text(value) for value in lost["kit_id"]],
            "row": lost.index.to_numpy(),
            "result": [" ".join(filter(None, both)) for both in zip(printed, units, strict=True)],
            "may_be_ug_l": most,
        }
    )
    return found[found["may_be_ug_l"].notna()].reset_index(drop=True)


def empty_lost() -> pd.DataFrame:
    """Return the table of :func:`lost_lead` without a row."""
    columns = {name: pd.Series(dtype=object) for name in COLUMNS}
    return pd.DataFrame(columns).astype({"may_be_ug_l": float})


def settle_lost(
    rows: pd.DataFrame | None, used: pd.Index, problems: Sequence[Problem]
) -> tuple[pd.DataFrame, list[Problem]]:
    """Return what rows that were set aside may say of lead, and the problems with it said.

    Parameters
    ----------
    rows, used
        As in :func:`lost_lead`; None where no row was kept.
    problems : sequence of Problem
        Of the table of samples.

    Returns
    -------
    DataFrame
        See :func:`lost_lead`.
    list of Problem
        See :func:`mark_high`.
    """
    if rows is None:
        return empty_lost(), list(problems)
    doubted = {int(p.row) for p in problems if p.effect == "row" and p.reason == TOO_LOW}
    lost = lost_lead(rows, used, doubted)
    return lost, mark_high(problems, lost)


def mark_high(problems: Sequence[Problem], lost: pd.DataFrame) -> list[Problem]:
    """Return the problems; the reasons of rows that may hold much lead say so.

    Not that of a row which only repeats another.

    References
    ----------
    Above 10 ug/L: action level of 89 FR 86418, 40 CFR 141.80(c) (fact
    ``lead.action_level.LCRI``), here only to mark single results.
    """
    level = float(fact("lead.action_level.LCRI").value)
    high = set(lost.loc[lost["may_be_ug_l"] > level, "row"].astype(str))
    said = f" It may hold more than {level:g} ug/L of lead: settle it before the others."
    return [
        replace(p, reason=p.reason + said)
        if p.effect == "row" and p.row in high and not p.reason.startswith(SAME_KEY)
        else p
        for p in problems
    ]


def _text(value: Any) -> str | None:
    """Return a cell as text; None where it is empty."""
    return None if pd.isna(value) else str(value)
