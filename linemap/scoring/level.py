"""The level of the odds held against evidence that they have not heard.

A smooth field that is fitted to scanty evidence comes out too flat: its high odds are too low and
its low ones too high. Error rates that are learned beside it would take up the difference, and
the level of all scores would drift. So each home's log-odds before its own evidence are compared
with that evidence, and a shift of all log-odds makes it likeliest; error rates are learned on top
of that. The odds are not stretched as well: records err more where there once was lead, so they
always ask for steeper odds than are true.
"""

from __future__ import annotations

import numpy as np
from scipy.special import expit

SHIFT_SD = 0.5
"""How far the level may lie from 0 before any evidence [log-odds]; our choice."""


def level_shift(before: np.ndarray, weight: np.ndarray, heard: np.ndarray) -> float:
    """Return the shift of all log-odds under which the homes' own evidence is likeliest.

    Parameters
    ----------
    before : ndarray, shape (n,)
        Log-odds of each home before its own evidence.
    weight : ndarray, shape (n,)
        Log-likelihood ratio of the home's own evidence.
    heard : ndarray of bool, shape (n,)
        Homes whose evidence may teach.

    References
    ----------
    Steyerberg et al. (2004), Statistics in Medicine 23: recalibration of the intercept alone.
    From memory.

    Examples
    --------
    >>> level_shift(np.zeros(3), np.zeros(3), np.zeros(3, dtype=bool))
    0.0
    """
    at, weight = before[heard], weight[heard]
    shift = 0.0
    for _ in range(30):
        p = expit(at + shift)
        slope = (expit(at + shift + weight) - p).sum() - shift / SHIFT_SD**2
        step = float(slope / ((p * (1 - p)).sum() + SHIFT_SD**-2.0))
        shift += step
        if abs(step) < 1e-8:
            break
    return shift
