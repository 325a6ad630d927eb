"""The level of the odds held against evidence that they have not heard.

A smooth field that is fitted to scanty evidence comes out too flat: its high odds are too low and
its low ones too high. Error rates that are learned beside it would take up the difference, and
drift. So each home's log-odds before its own evidence are compared with that evidence, and a
shift and a stretch of all log-odds make it likeliest; error rates are learned on top of that.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import expit

SHIFT_SD = 0.5
STRETCH_SD = 0.3
"""How far a shift may lie from 0 and a stretch from 1 before any evidence; our choice."""


@dataclass(frozen=True)
class Anchor:
    """A shift and a stretch of log-odds: ``shift + stretch * log_odds``."""

    shift: float = 0.0
    stretch: float = 1.0

    def __call__(self, log_odds: np.ndarray) -> np.ndarray:
        """Return the anchored log-odds."""
        return self.shift + self.stretch * log_odds


def anchor_on_evidence(before: np.ndarray, weight: np.ndarray, heard: np.ndarray) -> Anchor:
    """Find the shift and stretch under which the homes' own evidence is likeliest.

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
    Platt (1999), in Advances in Large Margin Classifiers: a logistic curve on held-out outcomes.

    Examples
    --------
    >>> nothing = np.zeros(3, dtype=bool)
    >>> anchor_on_evidence(np.zeros(3), np.zeros(3), nothing)
    Anchor(shift=0.0, stretch=1.0)
    """
    if not heard.any():
        return Anchor()
    at, weight = before[heard], weight[heard]
    columns = np.column_stack([np.ones(len(at)), at])
    middle = np.array([0.0, 1.0])
    precision = np.array([SHIFT_SD, STRETCH_SD]) ** -2.0
    value = middle.copy()
    for _ in range(30):
        e = columns @ value
        p = expit(e)
        pull = expit(e + weight) - p
        slope = columns.T @ pull - precision * (value - middle)
        curvature = columns.T @ (columns * (p * (1 - p))[:, None]) + np.diag(precision)
        step = np.linalg.solve(curvature, slope)
        value = value + step
        if np.abs(step).max() < 1e-8:
            break
    return Anchor(float(value[0]), float(value[1]))
