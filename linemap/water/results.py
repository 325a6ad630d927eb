"""Single results as measured: a value, or an interval from zero to the limit."""

from __future__ import annotations

import numpy as np
import pandas as pd

from linemap.errors import ArgumentError
from linemap.published import fact


def bounds(samples: pd.DataFrame, analyte: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return what each result is known to lie between.

    Parameters
    ----------
    samples : DataFrame
        With ``value_ug_l``, ``limit_ug_l`` [ug/L] and ``below_limit``; results of one analyte.
    analyte : {"lead", "copper"}
        Which one.

    Returns
    -------
    low, high : ndarray of float
        Equal for a measured value; 0 and the limit below a limit; NaN where nothing is
        readable. A result of zero counts as below the limit [ug/L].
    no_limit : ndarray of bool
        Non-detects whose limit is not given. The practical quantitation level, which every
        certified laboratory reaches, stands in for it.

    Raises
    ------
    ArgumentError
        If a concentration is negative.

    References
    ----------
    40 CFR 141.89(a)(1)(ii) (facts ``water.pql.*``).
    """
    value = samples["value_ug_l"].to_numpy(float)
    limit = samples["limit_ug_l"].to_numpy(float)
    below = samples["below_limit"].to_numpy(bool) | (value == 0)
    if (value < 0).any() or (limit < 0).any():
        raise ArgumentError("a concentration is negative; set such results aside at intake")
    no_limit = below & ~(limit > 0)
    stand_in = float(fact(f"water.pql.{analyte}").value)
    high = np.where(below, np.where(no_limit, stand_in, limit), value)
    return np.where(below, 0.0, value), high, no_limit


def censored(
    low: pd.Series | np.ndarray, high: pd.Series | np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return readable intervals as values and marks for the censored statistics.

    Parameters
    ----------
    low, high : array, shape (n,)
        Ends as given by :func:`bounds` or the ``pairs`` table [ug/L].

    Returns
    -------
    values : ndarray of float
        The measured value, or the limit [ug/L]; unreadable results are left out.
    below_limit : ndarray of bool

    Examples
    --------
    >>> values, below = censored(np.array([0.0, 3.0, np.nan]), np.array([1.0, 3.0, np.nan]))
    >>> values.tolist(), below.tolist()
    ([1.0, 3.0], [True, False])
    """
    lower, upper = np.asarray(low, dtype=float), np.asarray(high, dtype=float)
    there = ~np.isnan(upper)
    return upper[there], (lower < upper)[there]
