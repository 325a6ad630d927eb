"""Causes of lead in the two bottles, and how likely each makes a reading."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import special

from linemap.errors import ArgumentError
from linemap.published import fact

Cause = Literal["neither", "premise", "line", "both"]
CAUSES: tuple[Cause, ...] = ("neither", "premise", "line", "both")
"""No source seen; tap or house plumbing; the service line; both."""

SUGGESTIONS = (*CAUSES, "not told apart", "not read")
"""What a pair may suggest."""

WORDS = {
    "neither": "Neither bottle points to a single source; no level of lead is known to be safe. "
    "A lead service line cannot be ruled out.",
    "premise": "Lead seems to come from the tap or the house plumbing. A lead service line "
    "cannot be ruled out.",
    "line": "Lead seems to come from the service line. The tap and the house plumbing cannot be "
    "ruled out.",
    "both": "Lead seems to come from the service line and from the tap or the house plumbing. "
    "Other sources cannot be ruled out.",
    "not told apart": "The bottles do not tell the causes apart. A lead service line cannot be "
    "ruled out.",
    "not read": "The bottles cannot be read as a pair. A lead service line cannot be ruled out.",
}
"""What is said to go with each suggestion."""


@dataclass(frozen=True)
class PairModel:
    """What the bottles show where a source is there and where it is not.

    The first bottle speaks of tap and house plumbing, the flushed one of the line; given the
    cause the two are taken as independent lognormals. Both states of a bottle share one
    spread, so that more lead never speaks against a source. The line's likelihood ratio is
    held within what one flushed sample can tell, from its sensitivity and specificity.

    Attributes
    ----------
    first, flushed : (float, float, float)
        Geometric mean without and with the source [ug/L], and the geometric sd of both.
    sensitivity, specificity : float
        Of one flushed sample for a lead line.
    settled_at : float
        Share of the likelihood from which one cause is suggested.

    References
    ----------
    Facts ``water.reading.*``; Smart et al. 2023 for sensitivity and specificity.
    """

    first: tuple[float, float, float] = tuple(fact("water.reading.first").value)
    flushed: tuple[float, float, float] = tuple(fact("water.reading.flushed").value)
    sensitivity: float = float(fact("water.reading.flushed_sensitivity").value)
    specificity: float = float(fact("water.reading.flushed_specificity").value)
    settled_at: float = 0.5

    def __post_init__(self) -> None:
        for without, source, gsd in (self.first, self.flushed):
            if not 0 < without < source or not gsd > 1:
                raise ArgumentError(
                    "a geometric mean must be above 0 and higher with the source, a geometric sd "
                    "above 1"
                )
        if not (0 < self.specificity < 1 and 1 - self.specificity < self.sensitivity < 1):
            raise ArgumentError("sensitivity must lie above 1 - specificity, both below 1")

    def bounds(self) -> tuple[float, float]:
        """Return the least and the greatest likelihood ratio that one pair may have.

        Examples
        --------
        >>> [round(x, 3) for x in PairModel().bounds()]
        [0.284, 14.6]
        """
        return likelihood_ratios(self.sensitivity, self.specificity)


def likelihood_ratios(sensitivity: float, specificity: float) -> tuple[float, float]:
    """Return the likelihood ratio of a low and of a high result.

    Parameters
    ----------
    sensitivity, specificity : float
        Of the test.

    Returns
    -------
    (float, float)
        Negative ratio (1 - sensitivity) / specificity, positive ratio
        sensitivity / (1 - specificity).

    Examples
    --------
    >>> [round(x, 3) for x in likelihood_ratios(0.73, 0.95)]
    [0.284, 14.6]
    """
    return (1 - sensitivity) / specificity, sensitivity / (1 - specificity)


def update_odds(prior: float, ratio: float) -> float:
    """Return the probability after evidence with a likelihood ratio.

    Examples
    --------
    >>> round(update_odds(0.2, likelihood_ratios(0.73, 0.95)[1]), 3)
    0.785
    """
    if not 0 <= prior <= 1 or ratio < 0:
        raise ArgumentError("a prior lies between 0 and 1 and a ratio is not negative")
    return prior * ratio / (prior * ratio + 1 - prior)


def log_likelihoods(
    low: np.ndarray, high: np.ndarray, spread: tuple[float, float, float]
) -> np.ndarray:
    """Return the log-likelihood of readings without and with a source.

    Parameters
    ----------
    low, high : ndarray of float, shape (n,)
        Ends of the readings [ug/L]; NaN where a bottle is missing.
    spread : (float, float, float)
        As in :class:`PairModel`.

    Returns
    -------
    ndarray of float, shape (n, 2)
        A density where the ends are equal, the weight between them where not, and 0 where a
        bottle is missing. Densities and weights are never compared with each other.
    """
    sigma = np.log(spread[2])
    columns = []
    for centre in spread[:2]:
        with np.errstate(divide="ignore", invalid="ignore"):
            z_low, z_high = (np.log(end / centre) / sigma for end in (low, high))
            upper, lower = special.log_ndtr(z_high), special.log_ndtr(z_low)
            inside = upper + np.log1p(-np.exp(np.minimum(lower - upper, 0.0)))
        weight = np.where(low > 0, inside, upper)
        found = np.where(low == high, -0.5 * z_high**2, weight)
        columns.append(np.where(np.isnan(high), 0.0, found))
    return np.column_stack(columns)
