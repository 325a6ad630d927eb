"""What the finds of a random sample of lines allow for all of them."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from linemap.inventory import limits
from linemap.inventory.sample import AUDIT, VALIDATION, count_lines


@dataclass(frozen=True)
class SampleEstimate:
    """What a random sample allows for its whole pool.

    Attributes
    ----------
    purpose : str
        Which pool was sampled.
    found, checked, pool, refused : int
        Lines found to be lead or galvanized requiring replacement, lines checked, lines in the
        pool, homes that refused and were replaced.
    confidence : float
        Level of all limits.
    share, share_low, share_high, share_most : float
        Share found, its two-sided Clopper-Pearson interval and one-sided upper limit.
    lines_low, lines_high, lines_most : int
        Lines in the pool, those found among them: exact two-sided interval and one-sided upper
        limit by the hypergeometric distribution.
    """

    purpose: str
    found: int
    checked: int
    pool: int
    refused: int
    confidence: float
    share: float
    share_low: float
    share_high: float
    share_most: float
    lines_low: int
    lines_high: int
    lines_most: int

    @property
    def hidden_most(self) -> int:
        """Most lines that may still be there beyond those found."""
        return self.lines_most - self.found

    def __str__(self) -> str:
        text = (
            f"{self.found:,} of {self.checked:,} lines checked at random were lead or galvanized "
            f"requiring replacement. At {self.confidence:.0%} confidence the pool of "
            f"{self.pool:,} may still hold up to {self.hidden_most:,} more. "
            "This holds for a random draw only, and clears no single home."
        )
        if self.refused:
            text += (
                f" {self.refused:,} homes refused; the limits assume that they are like the rest."
            )
        return text


def validation_estimate(
    found: int,
    checked: int,
    pool: int | pd.DataFrame,
    *,
    refused: int = 0,
    confidence: float = 0.95,
) -> SampleEstimate:
    """Return what the finds of a validation sample allow for its whole pool.

    Parameters
    ----------
    found : int
        Lines of the sample found to be lead or galvanized requiring replacement.
    checked : int
        Lines of the sample that were checked.
    pool : int or DataFrame
        Lines in the pool at the time of the draw, or the pool itself.
    refused : int
        Homes that refused and were replaced.
    confidence : float
        Level of the limits.

    Returns
    -------
    SampleEstimate
        Its text says what even a clean sample still allows.

    References
    ----------
    Clopper and Pearson 1934; hypergeometric limits by inversion, see :mod:`limits`.

    Examples
    --------
    >>> print(validation_estimate(0, 370, 10_000))
    0 of 370 lines checked at random were lead or galvanized requiring replacement. At 95% \
confidence the pool of 10,000 may still hold up to 79 more. This holds for a random draw only, \
and clears no single home.
    """
    return _estimate(VALIDATION, found, checked, count_lines(pool), refused, confidence)


def audit_estimate(
    found: int,
    checked: int,
    pool: int | pd.DataFrame,
    *,
    refused: int = 0,
    confidence: float = 0.95,
) -> SampleEstimate:
    """Return what a random check of unknown lines allows for all unknown lines.

    Parameters and result as in :func:`validation_estimate`.

    Examples
    --------
    >>> estimate = audit_estimate(19, 384, 50_000)
    >>> estimate.lines_low, estimate.lines_high
    (1506, 3804)
    """
    return _estimate(AUDIT, found, checked, count_lines(pool), refused, confidence)


def _estimate(
    purpose: str, found: int, checked: int, pool: int, refused: int, confidence: float
) -> SampleEstimate:
    low, high = limits.share_interval(found, checked, confidence=confidence)
    lines_low, lines_high = limits.lines_interval(found, checked, pool, confidence=confidence)
    return SampleEstimate(
        purpose=purpose,
        found=found,
        checked=checked,
        pool=pool,
        refused=refused,
        confidence=confidence,
        share=found / checked,
        share_low=low,
        share_high=high,
        share_most=limits.share_at_most(found, checked, confidence=confidence),
        lines_low=lines_low,
        lines_high=lines_high,
        lines_most=limits.lines_at_most(found, checked, pool, confidence=confidence),
    )
