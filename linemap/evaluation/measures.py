"""Measures of a ranking and of a probability, for many resamples at once.

Each measure takes the labels [n homes], the scores [n homes] and weights [draws x n homes]
and returns one value per draw. A row of ones gives the plain measure; a row of block
bootstrap counts gives the measure of that resample; inverse propensities give the weighted
one. Tied scores are treated as tied: they share credit, as in a list whose ties are broken
by lot.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Measure = Callable[[Array, Array, Array], Array]

CLIP = 1e-6
"""Probabilities are held this far from 0 and 1 where a logarithm is taken."""

ECE_BINS = 10
"""Bins of equal count for the expected calibration error."""

SHORTEST_LIST = 10
"""Shortest list [homes] whose precision is worth stating; our choice."""

CALLED_PRECISION = 0.9
"""Precision at which a list is called reliable, see :func:`callable_share`."""


def logit(p: Array) -> Array:
    """Return log-odds of probabilities, held :data:`CLIP` away from 0 and 1.

    Examples
    --------
    >>> float(logit(np.array([0.5]))[0])
    0.0
    """
    held = np.clip(np.asarray(p, dtype=float), CLIP, 1 - CLIP)
    return np.log(held) - np.log1p(-held)


def sigmoid(x: Array) -> Array:
    """Return probabilities of log-odds."""
    return 1 / (1 + np.exp(-np.clip(x, -40, 40)))


def _steps(label: Array, score: Array, weights: Array) -> tuple[Array, Array]:
    """Return weight of lead and of other homes at each distinct score, highest score first."""
    order = np.argsort(-score, kind="stable")
    ranked = score[order]
    starts = np.flatnonzero(np.r_[True, ranked[1:] != ranked[:-1]])
    w = weights[:, order]
    lead = np.add.reduceat(w * label[order], starts, axis=1)
    other = np.add.reduceat(w * (1 - label[order]), starts, axis=1)
    return lead, other


def _ratio(top: Array, bottom: Array) -> Array:
    """Divide; NaN where there is nothing to divide by."""
    out = np.full(np.broadcast(top, bottom).shape, np.nan)
    np.divide(top, bottom, out=out, where=bottom > 0)
    return out


def auc(label: Array, score: Array, weights: Array) -> Array:
    """Chance that a home with lead scores above one without (area under the ROC curve).

    Examples
    --------
    >>> y, s = np.array([0.0, 0, 1, 1]), np.array([0.1, 0.4, 0.35, 0.8])
    >>> float(auc(y, s, np.ones((1, 4)))[0])
    0.75
    """
    lead, other = _steps(label, score, weights)
    below = other.sum(axis=1, keepdims=True) - other.cumsum(axis=1)
    wins = (lead * (below + other / 2)).sum(axis=1)
    return _ratio(wins, lead.sum(axis=1) * other.sum(axis=1))


def average_precision(label: Array, score: Array, weights: Array) -> Array:
    """Mean precision over the lead homes in ranked order."""
    lead, other = _steps(label, score, weights)
    found = lead.cumsum(axis=1)
    precision = np.nan_to_num(_ratio(found, found + other.cumsum(axis=1)))
    return _ratio((precision * lead).sum(axis=1), found[:, -1])


def hits_at(label: Array, score: Array, weights: Array, *, share: float) -> Array:
    """Share of lead among the first ``share`` of the homes in ranked order.

    Homes tied at the end of the list count by the expectation of a draw by lot.

    Examples
    --------
    >>> y, s = np.array([1.0, 0, 0, 0]), np.array([0.9, 0.9, 0.1, 0.1])
    >>> float(hits_at(y, s, np.ones((1, 4)), share=0.25)[0])
    0.5
    """
    lead, other = _steps(label, score, weights)
    size = lead + other
    looked = size.cumsum(axis=1)
    wanted = share * looked[:, -1:]
    taken = np.clip(wanted - (looked - size), 0, size)
    part = np.divide(taken, size, out=np.zeros_like(size), where=size > 0)
    return _ratio((part * lead).sum(axis=1), wanted[:, 0])


def callable_share(
    label: Array, score: Array, weights: Array, *, precision: float = CALLED_PRECISION
) -> Array:
    """Share of homes in the longest list from the top that holds ``precision``.

    The cut is found in hindsight, on the same labels: an upper view of what
    :func:`linemap.evaluation.headline.callable_list` states honestly. A list shorter than
    :data:`SHORTEST_LIST` homes does not count.

    References
    ----------
    Hajiseyedjavadi et al. 2022: share of customers whose line could be told with a precision
    above 90%, spatially validated.
    """
    lead, other = _steps(label, score, weights)
    found = lead.cumsum(axis=1)
    looked = found + other.cumsum(axis=1)
    units = weights.sum(axis=1, keepdims=True) / max(weights.shape[1], 1)
    long_enough = looked >= SHORTEST_LIST * units
    good = (np.nan_to_num(_ratio(found, looked)) >= precision - 1e-12) & long_enough
    return _ratio(np.where(good, looked, 0.0).max(axis=1), looked[:, -1])


def brier(label: Array, score: Array, weights: Array) -> Array:
    """Mean squared distance of probability and label."""
    return _ratio(weights @ (score - label) ** 2, weights.sum(axis=1))


def log_loss(label: Array, score: Array, weights: Array) -> Array:
    """Mean negative log of the probability given to what was found [nats]."""
    p = np.clip(score, CLIP, 1 - CLIP)
    return _ratio(weights @ -(label * np.log(p) + (1 - label) * np.log1p(-p)), weights.sum(axis=1))


def bin_numbers(score: Array, bins: int = ECE_BINS) -> NDArray[np.intp]:
    """Return the bin of each home, bins of equal count by score; ties stay together."""
    edges = np.unique(np.quantile(score, np.linspace(0, 1, bins + 1)[1:-1]))
    return np.searchsorted(edges, score, side="right")


def ece(label: Array, score: Array, weights: Array) -> Array:
    """Return the expected calibration error: mean distance of promised and found rate by bin.

    ``label`` may also have one row per draw. The value falls with the number of homes even
    for a perfect model: read it beside :func:`linemap.evaluation.calibration.perfect_ece`.
    """
    numbers = bin_numbers(score)
    member = (numbers[:, None] == np.arange(numbers.max() + 1)).astype(float)
    gap = (weights * (label - score)) @ member
    return _ratio(np.abs(gap).sum(axis=1), np.broadcast_to(weights.sum(axis=1), gap.shape[:1]))


def calibration_line(label: Array, score: Array, weights: Array) -> tuple[Array, Array]:
    """Return slope and intercept of the logistic calibration line, one each per draw.

    Slope: logistic regression of the label on the log-odds of the probability (1 is right,
    below 1 too bold). Intercept: the same with the slope held at 1, so that it states
    calibration in the large (0 is right, above 0 too low).

    References
    ----------
    Cox 1958, Biometrika 45, 562-565; Van Calster et al. 2016, J. Clin. Epidemiol. 74, 167-176.
    """
    x = logit(score)
    return logistic_line(label, x, weights, free_slope=True)[1], logistic_line(
        label, x, weights, False
    )[0]


def logistic_line(label: Array, x: Array, weights: Array, free_slope: bool) -> tuple[Array, Array]:
    """Weighted logistic regression on one variable by Newton steps, one fit per draw.

    Returns
    -------
    tuple of ndarray, each of shape (draws,)
        Intercept and slope (1 where it is not free); NaN where the labels are alike or parted.
    """
    a, b = np.zeros(len(weights)), np.ones(len(weights))
    if len(weights) > 1:  # all draws start from the fit of the first
        first = logistic_line(label, x, weights[:1], free_slope)
        if np.isfinite(first[0] + first[1])[0]:
            a, b = a + first[0], np.zeros_like(b) + first[1]
    for _ in range(50):
        p = sigmoid(a[:, None] + b[:, None] * x)
        error = weights * (label - p)
        v = weights * p * (1 - p)
        g0, h00 = error.sum(axis=1), v.sum(axis=1)
        with np.errstate(divide="ignore", invalid="ignore"):
            if free_slope:
                g1, h01, h11 = error @ x, v @ x, v @ x**2
                det = h00 * h11 - h01**2
                da, db = (h11 * g0 - h01 * g1) / det, (h00 * g1 - h01 * g0) / det
            else:
                da, db = g0 / h00, np.zeros_like(a)
        a, b = a + np.clip(da, -2, 2), b + np.clip(db, -2, 2)
        # steps shrink by the square, so the error left is far below this
        if np.nanmax(np.abs(np.r_[da, db]), initial=0.0) < 1e-5:
            break
    lead = _ratio(weights @ label, weights.sum(axis=1))
    lost = ~((lead > 0) & (lead < 1)) | ~np.isfinite(a + b) | (np.abs(a) > 25) | (np.abs(b) > 25)
    return np.where(lost, np.nan, a), np.where(lost, np.nan, b)


def calibration_slope(label: Array, score: Array, weights: Array) -> Array:
    """Slope of the calibration line, see :func:`calibration_line`."""
    return logistic_line(label, logit(score), weights, free_slope=True)[1]


def calibration_intercept(label: Array, score: Array, weights: Array) -> Array:
    """Calibration in the large, see :func:`calibration_line`."""
    return logistic_line(label, logit(score), weights, free_slope=False)[0]


LIST_SHARES = (0.05, 0.10, 0.20)
"""Lengths of list [share of judged homes] at which hits are stated."""


def _hits(share: float) -> Measure:
    return lambda label, score, weights: hits_at(label, score, weights, share=share)


RANKING: dict[str, Measure] = {
    "auc": auc,
    "average_precision": average_precision,
    **{f"hits_at_{round(100 * share)}pct": _hits(share) for share in LIST_SHARES},
    "callable_share_90": callable_share,
}
"""Measures that need only an order of the homes."""

PROBABILITY: dict[str, Measure] = {
    "brier": brier,
    "log_loss": log_loss,
    "ece": ece,
    "calibration_slope": calibration_slope,
    "calibration_intercept": calibration_intercept,
}
"""Measures that need a probability."""

MEANING: dict[str, str] = {
    "auc": "chance that a home with lead is ranked above one without",
    "average_precision": "mean precision over the lead homes down the list; follows prevalence",
    "hits_at_5pct": "share of lead among the first 5% of the judged homes",
    "hits_at_10pct": "share of lead among the first 10% of the judged homes",
    "hits_at_20pct": "share of lead among the first 20% of the judged homes",
    "callable_share_90": "share of homes in the longest list with 90% lead, cut in hindsight",
    "brier": "mean squared distance of probability and finding",
    "log_loss": "mean negative log of the probability of what was found [nats]",
    "ece": "mean distance of promised and found rate over ten bins; see the perfect model's band",
    "calibration_slope": "1 is right; below 1 the probabilities are too bold",
    "calibration_intercept": "0 is right; above 0 the probabilities are too low",
    "lift_at_5pct": "hits in the first 5% as a multiple of the age rule's",
    "lift_at_10pct": "hits in the first 10% as a multiple of the age rule's",
    "lift_at_20pct": "hits in the first 20% as a multiple of the age rule's",
}
"""What each measure says, for the tables and the methods page."""
