"""Results as laboratories print them, as numbers in micrograms per litre."""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal

import numpy as np
import pandas as pd

from linemap.errors import Problem
from linemap.intake.cells import UNITS, fold
from linemap.intake.checker import row_problems

IN_UG_L = {"ug/L": Decimal(1), "ppb": Decimal(1), "mg/L": Decimal(1000), "ppm": Decimal(1000)}
"""Micrograms per litre in one of each unit; ppb and ppm by mass in water of 1 kg/L."""

MOST_UG_L = Decimal(10) ** 9
"""Mass of the water itself in a litre [ug]; nothing dissolved in it can weigh more."""

BELOW_WORDS = frozenset(
    {"nd", "n.d.", "n.d", "non_detect", "nondetect", "non_detected", "not_detected", "bdl"}
    | {"<dl", "<mdl", "<lod", "below_detection_limit", "below_detection"}
)
"""Words that say that the result lies below the detection limit, folded."""

NUMBER = r"(?:[0-9]{1,20}(?:\.[0-9]{0,30})?|\.[0-9]{1,30})(?:[eE][+-]?[0-9]{1,2})?"
"""A number as laboratories print it."""

_VALUE = re.compile(NUMBER)
_BELOW = re.compile(rf"(?:<=?|\u2264)\s*({NUMBER})")

_SPELLINGS = UNITS | {fold(unit): unit for unit in IN_UG_L}
_REMEDY = "Ask the laboratory and correct the cell."


@dataclass(frozen=True)
class Reading:
    """One result in numbers.

    Attributes
    ----------
    value_ug_l : float
        Concentration [ug/L]; NaN where below the limit or not readable.
    limit_ug_l : float
        Limit below which the laboratory does not see [ug/L]; NaN where not known.
    below_limit : bool
        Whether the result lies below the limit.
    reason, remedy : str
        Why it could not be read and what would mend it; empty if it could.
    """

    value_ug_l: float = np.nan
    limit_ug_l: float = np.nan
    below_limit: bool = False
    reason: str = ""
    remedy: str = ""


def parse_unit(text: str) -> str | None:
    """Return the contract's name of a unit, or None if it is not known.

    Examples
    --------
    >>> parse_unit("\u00b5g/L"), parse_unit("MG / l"), parse_unit("grains")
    ('ug/L', 'mg/L', None)
    """
    return _SPELLINGS.get(fold(text))


def parse_result(
    text: str | None, unit: str | None, detection_limit: float | str | None = None
) -> Reading:
    """Read one result as a laboratory printed it.

    Parameters
    ----------
    text : str or None
        ``2.4``, ``<1``, ``ND``. Anything else is not read: it is never guessed.
    unit : str or None
        Unit of the result and of the detection limit: ug/L, mg/L, ppb, ppm.
    detection_limit : float or str, optional
        Detection limit of the laboratory, in ``unit``. A result below it counts as below the
        limit; ``ND`` cannot be read without it.

    Returns
    -------
    Reading
        In ug/L, converted in decimal arithmetic, so that 0.0154 mg/L is 15.4 and nothing else.

    References
    ----------
    1 mg/L = 1000 ug/L by the SI prefixes (BIPM, The International System of Units, 9th ed.,
    table 7). 40 CFR 141.80(c), which states the lead action level as 0.015 mg/L, is spoken of
    as 15 ppb.

    Examples
    --------
    >>> parse_result("0.0154", "mg/L").value_ug_l
    15.4
    >>> low = parse_result(" < 1.0", "ug/L")
    >>> low.below_limit, low.limit_ug_l
    (True, 1.0)
    >>> parse_result("7.74^", "ug/L").reason
    "the result is not a number, '<' and a number, or ND."
    """
    if text is None or not (plain := text.strip()):
        return _unread("there is no result.", "Fill it in.")
    name = parse_unit(unit) if unit else None
    if name is None:
        return _unread("the unit of the result is not known.", "Give ug/L, mg/L, ppb or ppm.")
    factor = IN_UG_L[name]
    limit = _decimal(detection_limit)
    if limit is not None:
        limit *= factor
        if not 0 < limit <= MOST_UG_L:
            limit = None
    if fold(plain) in BELOW_WORDS:
        if limit is None:
            return _unread(
                "the result is below a detection limit that is not given.",
                "Give the limit in the column detection_limit.",
            )
        return Reading(limit_ug_l=float(limit), below_limit=True)
    if match := _BELOW.fullmatch(plain):
        printed = Decimal(match[1]) * factor
        if not 0 < printed <= MOST_UG_L:
            return _unread("the limit of the result cannot be right.", _REMEDY)
        return Reading(limit_ug_l=float(printed), below_limit=True)
    if _VALUE.fullmatch(plain):
        value = Decimal(plain) * factor
        if value > MOST_UG_L:
            return _unread("the result is more than the water itself weighs.", _REMEDY)
        if limit is not None and value < limit:
            return Reading(limit_ug_l=float(limit), below_limit=True)
        return Reading(float(value), np.nan if limit is None else float(limit))
    return _unread(_fault(plain), _REMEDY)


def _fault(text: str) -> str:
    """Say why a result cannot be read."""
    if re.fullmatch(rf"[-\u2212\u2013]\s*{NUMBER}", text):
        return "a result cannot be negative."
    if re.fullmatch(r"<?\s*[0-9]+,[0-9]+(?:[.,][0-9]+)*", text):
        return "the comma in the result may stand for a point or for thousands."
    if text.startswith(">"):
        return "the laboratory gives only a lower end of the result."
    return "the result is not a number, '<' and a number, or ND."


def _unread(reason: str, remedy: str) -> Reading:
    return Reading(reason=reason, remedy=remedy)


def _decimal(number: float | str | None) -> Decimal | None:
    """Return a limit in decimal arithmetic, by the shortest digits that name a float."""
    if number is None:
        return None
    text = number.strip() if isinstance(number, str) else repr(float(number))
    return Decimal(text) if _VALUE.fullmatch(text) else None


def read_results(samples: pd.DataFrame, file: str) -> tuple[pd.DataFrame, list[Problem]]:
    """Add the results in numbers; set aside rows whose result cannot be read.

    Parameters
    ----------
    samples : DataFrame
        By the contract, indexed by row number.
    file : str
        File to name in the problems.

    Returns
    -------
    DataFrame
        With ``value_ug_l`` and ``limit_ug_l`` [ug/L] and ``below_limit``.
    list of Problem
    """
    keys = ["result", "unit", "detection_limit"]
    group = samples.groupby(keys, dropna=False, observed=True, sort=False).ngroup().to_numpy()
    first = np.unique(group, return_index=True)[1]
    readings = [
        parse_result(text, unit, None if np.isnan(limit) else limit)
        for text, unit, limit in samples[keys].iloc[first].itertuples(index=False)
    ]
    out = samples.copy()
    out["value_ug_l"] = np.array([r.value_ug_l for r in readings], dtype=float)[group]
    out["limit_ug_l"] = np.array([r.limit_ug_l for r in readings], dtype=float)[group]
    out["below_limit"] = np.array([r.below_limit for r in readings], dtype=bool)[group]
    kinds = pd.Series([r.reason for r in readings], dtype=object)
    problems: list[Problem] = []
    for reason in kinds[kinds != ""].unique():
        which = np.flatnonzero((kinds == reason).to_numpy())
        rows = samples[np.isin(group, which)]
        problems += row_problems(
            file,
            "samples",
            "result",
            rows.index,
            rows["result"],
            reason,
            readings[which[0]].remedy,
            "row",
        )
    return out[(kinds == "").to_numpy()[group]], problems
