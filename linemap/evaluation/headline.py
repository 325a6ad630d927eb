"""The one figure that a manager asks for first, or the reason why there is none."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from linemap.evaluation.intervals import (
    block_share_interval,
    block_weights,
    percentiles,
    span_in_words,
)
from linemap.evaluation.measures import CALLED_PRECISION, SHORTEST_LIST

Array = NDArray[np.float64]

FAIR_REASONS = ("random", "main_work")
"""Reasons for a check that do not depend on what the line was thought to be."""

FEWEST_FAIR = 50
"""Checks for such reasons below which no headline is stated; our choice."""


@dataclass(frozen=True)
class Headline:
    """Share of homes that can be called lead at 90% precision, held out in space.

    Attributes
    ----------
    callable_share, low, high : float
        Share of judged homes on the list, with block-bootstrap interval.
    precision, precision_low, precision_high : float
        Share of lead that was in fact found on that list, with the interval of
        :func:`~linemap.evaluation.intervals.block_share_interval`; NaN for an empty list.
    threshold : float
        Probability from which a home is on the list (median over the folds).
    in_use_share : float
        Share of unknown homes with a probability at or above the threshold; NaN where nothing
        was listed, since such a list was never tested.
    rows, listed, blocks : int
        Homes judged, homes on the list, and blocks that hold the homes judged.
    judged_on : str
        Which homes were judged.
    text : str
        The figure in a sentence, with its caution.
    """

    callable_share: float
    low: float
    high: float
    precision: float
    precision_low: float
    precision_high: float
    threshold: float
    in_use_share: float
    rows: int
    listed: int
    blocks: int
    judged_on: str
    text: str

    def to_dict(self) -> dict[str, Any]:
        """Return the fields as plain values."""
        return asdict(self)


def lowest_threshold(label: Array, p: Array, *, precision: float = CALLED_PRECISION) -> float:
    """Return the lowest probability at which the list above it holds the precision.

    Infinite where no list of :data:`~linemap.evaluation.measures.SHORTEST_LIST` homes does.

    Examples
    --------
    >>> y = np.r_[np.ones(10), np.zeros(10)]
    >>> float(lowest_threshold(y, np.linspace(1, 0.05, 20)))
    0.5
    """
    order = np.argsort(-p, kind="stable")
    rate = label[order].cumsum() / np.arange(1, len(p) + 1)
    last_of_tie = np.r_[p[order][1:] != p[order][:-1], True]
    good = last_of_tie & (rate >= precision - 1e-12) & (np.arange(len(p)) + 1 >= SHORTEST_LIST)
    return float(p[order][good].min()) if good.any() else float("inf")


def callable_list(label: Array, p: Array, fold: Array) -> tuple[NDArray[np.bool_], float]:
    """Return who is on the list when each fold's threshold comes from the other folds.

    Parameters
    ----------
    label, p, fold : ndarray, shape (n homes,)
        Finding, held-out probability and fold.

    Returns
    -------
    ndarray of bool, shape (n homes,)
        Whether the home is on the list.
    float
        Median threshold; infinite where no list holds the precision.
    """
    listed, thresholds = np.zeros(len(p), dtype=bool), []
    for one in np.unique(fold):
        own = fold == one
        thresholds.append(lowest_threshold(label[~own], p[~own]))
        listed[own] = p[own] >= thresholds[-1]
    return listed, float(np.median(thresholds))


def callable_high(share: float, high: float, homes: int) -> float:
    """Return the upper end of a share of homes that can be called, no list being no proof of none.

    A list shorter than :data:`~linemap.evaluation.measures.SHORTEST_LIST` homes does not count, so
    an empty one cannot tell a share below that from none. NaN stays NaN.

    Examples
    --------
    >>> callable_high(0.0, 0.0, 40), callable_high(0.5, 0.6, 40)
    (0.25, 0.6)
    """
    if share > 0 or not np.isfinite(high):
        return high
    return max(high, min(1.0, SHORTEST_LIST / homes))


def make_headline(
    judged: pd.DataFrame,
    p_unknown: pd.Series,
    *,
    bootstrap: int,
    rng: np.random.Generator,
) -> tuple[Headline | None, str]:
    """Return the headline, or None and the reason.

    Parameters
    ----------
    judged : DataFrame
        Homes judged under spatial blocks: ``label``, ``linemap`` (held-out probability),
        ``fold``, ``block``, ``why``, ``record_lead``.
    p_unknown : Series
        Probabilities of the homes without check and record.
    bootstrap : int
        Resamples of blocks.
    rng : numpy.random.Generator

    Returns
    -------
    Headline or None
    str
        Reason for a refusal; empty otherwise.
    """
    fair = judged[judged["why"].isin(FAIR_REASONS)]
    if len(fair) < FEWEST_FAIR or fair["fold"].nunique() < 2:
        return None, (
            f"No headline precision: only {len(fair):,} of {len(judged):,} judged checks were made "
            f"at random or along main work, at least {FEWEST_FAIR} are needed. Checks made for "
            "other reasons say little about the homes nobody has looked at. Draw a random sample."
        )
    open_record = fair[fair["record_lead"].isna()]
    judged_on = "homes without a record, checked at random or along main work"
    if len(open_record) >= FEWEST_FAIR and open_record["fold"].nunique() >= 2:
        fair = open_record
    else:
        judged_on = "homes with or without a record, checked at random or along main work"
    label, p = fair["label"].to_numpy(float), fair["linemap"].to_numpy(float)
    listed, threshold = callable_list(label, p, fair["fold"].to_numpy(float))
    block = fair["block"].to_numpy(np.int64)
    counts = block_weights(block, bootstrap, rng)
    blocks = len(np.unique(block))
    low, high = percentiles((counts @ listed) / counts.sum(axis=1), blocks)
    found, called = int(label[listed].sum()), int(listed.sum())
    ends = (float("nan"), float("nan"))
    if called:
        ends = block_share_interval(label[listed], block[listed])
    share = float(listed.mean())
    high = callable_high(share, high, len(fair))
    in_use = float("nan")
    if called and len(p_unknown):
        in_use = float((p_unknown.to_numpy(float) >= threshold).mean())
    if called:
        text = (
            f"{share:.0%} of the judged homes ({span_in_words(low, high, '.0%')}) stood on a list "
            f"meant to hold 90% lead; {found:,} of its {called:,} lines were lead "
            f"({span_in_words(*ends, '.0%')}). "
            f"Judged on {len(fair):,} {judged_on}. A place on the list is not a "
            "finding, and a home off the list cannot be ruled out."
        )
    elif np.isfinite(lowest_threshold(label, p)):
        text = (
            f"A list of 90% lead was found among the {len(fair):,} {judged_on}, but only where it "
            "could not be tested: what the other places taught named no home there. So no home "
            "can be called on these scores alone, and none ruled out."
        )
    else:
        text = (
            f"No list of at least {SHORTEST_LIST} homes reached 90% lead among the {len(fair):,} "
            f"{judged_on}: no home can be called on these scores alone, and none ruled out."
        )
    return (
        Headline(
            callable_share=share,
            low=low,
            high=high,
            precision=found / called if called else float("nan"),
            precision_low=ends[0],
            precision_high=ends[1],
            threshold=threshold,
            in_use_share=in_use,
            rows=len(fair),
            listed=called,
            blocks=blocks,
            judged_on=judged_on,
            text=text,
        ),
        "",
    )
