"""The level of the odds held against what was really seen.

Where the model is not quite right, records can pull the level of all probabilities up or down
together. Checks see the truth. Each checked home's log-odds before its own evidence (it has not
heard its own check) are compared with what was seen, and a shift and a stretch, shrunk to none,
are applied to all homes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import expit

SHIFT_SD = 0.15
STRETCH_SD = 0.1
"""How far a shift may lie from 0 and a stretch from 1 before checks have spoken."""


@dataclass(frozen=True)
class Anchor:
    """A shift and a stretch of log-odds: ``shift + stretch * log_odds``."""

    shift: float = 0.0
    stretch: float = 1.0

    def __call__(self, log_odds: np.ndarray) -> np.ndarray:
        """Return the anchored log-odds."""
        return self.shift + self.stretch * log_odds


def anchor_on_checks(before: np.ndarray, check_weight: np.ndarray, seen: np.ndarray) -> Anchor:
    """Find the likeliest shift and stretch, given what checks saw.

    Parameters
    ----------
    before : ndarray, shape (n,)
        Log-odds of each home before its own evidence.
    check_weight : ndarray, shape (n,)
        Log-likelihood ratio of the home's checks.
    seen : ndarray of bool, shape (n,)
        Homes whose checks may teach.

    References
    ----------
    Platt (1999), in Advances in Large Margin Classifiers: a logistic curve on held-out outcomes.

    Examples
    --------
    >>> nothing = np.zeros(3, dtype=bool)
    >>> anchor_on_checks(np.zeros(3), np.zeros(3), nothing)
    Anchor(shift=0.0, stretch=1.0)
    """
    if not seen.any():
        return Anchor()
    at, weight = before[seen], check_weight[seen]
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
