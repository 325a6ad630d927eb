"""The arithmetic of odds: logits, likelihood ratios of a yes/no test, Bayes' rule."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import expit, logit

from linemap.errors import ArgumentError


def log_odds(p: ArrayLike) -> np.ndarray:
    """Return the natural log of the odds of a probability."""
    return np.asarray(logit(np.asarray(p, dtype=float)))


def probability(weight: ArrayLike) -> np.ndarray:
    """Return the probability that belongs to log-odds."""
    return np.asarray(expit(np.asarray(weight, dtype=float)))


def yes_no_weights(sensitivity: float, specificity: float) -> tuple[float, float]:
    """Return the weights of evidence of a positive and of a negative test.

    Parameters
    ----------
    sensitivity, specificity : float
        Share of homes with, and without, a lead line that the test calls right.

    Returns
    -------
    positive, negative : float
        Log-likelihood ratios [log-odds], to be added to the log-odds before the test.

    Raises
    ------
    ArgumentError
        If a share is not strictly between 0 and 1.

    Examples
    --------
    >>> positive, negative = yes_no_weights(0.73, 0.95)
    >>> round(float(probability(log_odds(0.20) + positive)), 3)
    0.785
    >>> round(1 - float(probability(log_odds(0.20) + negative)), 3)
    0.934
    """
    if not (0 < sensitivity < 1 and 0 < specificity < 1):
        raise ArgumentError(
            "sensitivity and specificity must lie between 0 and 1, "
            f"not {sensitivity} and {specificity}."
        )
    positive = np.log(sensitivity / (1 - specificity))
    negative = np.log((1 - sensitivity) / specificity)
    return float(positive), float(negative)
