"""How much all chances of return move together from month to month, learned from earlier kits."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import softmax
from scipy.stats import t

Floats = NDArray[np.float64]

SHIFT = 0.1
"""Standard deviation of the months' shifts [log-odds] that is assumed before any history: about
two kits in a hundred. Our choice."""

_FREEDOM = 4
_GRID = np.linspace(0.0, 2.0, 401)[:-1] + 0.0025


def spread_of_months(effects: Floats, covariance: Floats, *, wide: float) -> float:
    """Learn how far whole months stray from the chances of return beyond what luck does.

    Chances of return are learned from the past, and a month may turn out otherwise: a cold
    spell, news about lead, a change in the letter. The shifts of the months come from one normal
    distribution around zero. The prior of its standard deviation is the half of a t distribution
    of 4 degrees of freedom with the mean square of ``SHIFT``, so that a short history gives
    ``SHIFT`` and a long one the data.

    Parameters
    ----------
    effects : array of float, shape (n_months,)
        Shift of each month [log-odds], fitted with a wide normal prior.
    covariance : array of float, shape (n_months, n_months)
        Of the effects, with that prior.
    wide : float
        Standard deviation of the wide prior [log-odds].

    Returns
    -------
    float
        Root of the mean square of the standard deviation [log-odds].

    References
    ----------
    .. [1] A. Gelman, "Prior distributions for variance parameters in hierarchical models",
       Bayesian Analysis 1 (2006), on the half of a t distribution. From memory.

    Examples
    --------
    >>> round(spread_of_months(np.array([-0.4, 0.4]), np.eye(2) / 100, wide=1.0), 2)
    0.28
    """
    precision = np.linalg.inv(covariance)
    curve, turned = np.linalg.eigh(precision - np.eye(len(effects)) / wide**2)
    pull = (turned.T @ (precision @ effects)) ** 2
    square = _GRID[:, None] ** 2
    bend = 1 + square * np.maximum(curve, 0.0)
    log = 0.5 * (pull * square / bend - np.log(bend)).sum(axis=1)
    scale = SHIFT * np.sqrt((_FREEDOM - 2) / _FREEDOM)
    weight = softmax(log + t.logpdf(_GRID, _FREEDOM, scale=scale))
    return float(np.sqrt(weight @ _GRID**2))
